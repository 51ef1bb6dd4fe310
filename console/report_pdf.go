package console

import (
	"fmt"
	"io"
	"strings"

	"github.com/go-pdf/fpdf"

	"calandria/console/catalog"
	"calandria/plant/words"
)

// reportPDF writes a report on A4, in black on white.
func (s *Server) reportPDF(w io.Writer, d *report, l *catalog.Language) error {
	const left, width = 15.0, 180.0 // mm
	f := fpdf.New("P", "mm", "A4", "")
	f.SetMargins(left, 15, left)
	f.SetAutoPageBreak(true, 18)
	house := s.b.House().Config.Site
	text := f.UnicodeTranslatorFromDescriptor("cp1252")
	say := func(v words.Text) string {
		return text(strings.NewReplacer("−", "-", "–", "-", "’", "'").Replace(l.Say(v)))
	}
	f.SetTitle(l.Say(d.Title)+", "+house.Name, true)
	f.SetCreator("Calandria "+s.opt.Version, true)
	f.SetFooterFunc(func() {
		f.SetY(-14)
		f.SetFont("Helvetica", "", 7)
		f.CellFormat(width/2, 4, say("This program advises; it is no safety system. Site procedures and local rules come first."), "", 0, "L", false, 0, "")
		f.CellFormat(width/2, 4, fmt.Sprintf("%d", f.PageNo()), "", 0, "R", false, 0, "")
	})
	f.AddPage()
	f.SetFont("Helvetica", "B", 16)
	f.CellFormat(width, 8, say(d.Title), "", 1, "L", false, 0, "")
	f.SetFont("Helvetica", "", 9)
	f.MultiCell(width, 4.5, say(words.Verbatim(strings.Join([]string{house.Name, house.Note}, "  "))), "", "L", false)
	head := words.Text("%s to %s, %s; made %s")
	if d.Running {
		head = "%s to %s, %s, still running; made %s"
	}
	f.MultiCell(width, 4.5, say(words.Say(head, d.From, d.To, s.zone.String(), d.Made)), "", "L", false)
	for _, t := range d.Tables {
		pdfTable(f, t, width, say)
	}
	return f.Output(w)
}

func pdfTable(f *fpdf.Fpdf, t reportTable, width float64, say func(words.Text) string) {
	if f.GetY() > 240 {
		f.AddPage()
	}
	f.Ln(4)
	f.SetFont("Helvetica", "B", 11)
	f.CellFormat(width, 6, say(t.Title), "", 1, "L", false, 0, "")
	nameWidth := width * 0.34
	if len(t.Columns) == 2 {
		nameWidth = width * 0.7
	}
	cell := (width - nameWidth) / float64(max(1, len(t.Columns)-1))
	line := func(row textRow, style, border string) {
		f.SetFont("Helvetica", style, 8.5)
		for i, v := range row {
			w, align := cell, "R"
			if i == 0 {
				w, align = nameWidth, "L"
			}
			text := say(v)
			for f.GetStringWidth(text) > w-1.5 && len(text) > 1 { // it must not run into the next column
				text = text[:len(text)-1]
			}
			f.CellFormat(w, 5, text, border, 0, align, false, 0, "")
		}
		f.Ln(-1)
	}
	line(t.Columns, "B", "B")
	for _, row := range t.Rows {
		line(row, "", "")
	}
	if t.Note != "" {
		f.SetFont("Helvetica", "I", 7.5)
		f.MultiCell(width, 4, say(t.Note), "", "L", false)
	}
}
