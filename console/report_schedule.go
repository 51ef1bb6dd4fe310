package console

import (
	"bytes"
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"time"

	"calandria/console/catalog"
	"calandria/plant"
	"calandria/plant/files"
	"calandria/plant/words"
)

// Reports by a schedule: when a shift, day or week is over, its report goes to a folder, to
// people by mail, or both.

// ReportOrder is one entry of console.reports.
type ReportOrder struct {
	Span   string   `yaml:"span"`   // shift, day, week; season: each day
	Hours  int      `yaml:"hours"`  // of a shift; default 8
	Folder string   `yaml:"folder"` // from the folder of the plant file
	Files  []string `yaml:"files"`  // pdf, csv; default pdf
	Mail   string   `yaml:"mail"`   // name of a notifier of the kind email
}

// check says what is wrong with an order.
func (o *ReportOrder) check() (field string, problem, fix words.Text) {
	switch _, known := shiftHours[o.Hours]; {
	case !slices.ContainsFunc(reportSpans, func(x reportSpan) bool { return x.Key == o.Span }):
		return "span", words.Say("%q is no report", o.Span), "write shift, day, week or season"
	case o.Hours != 0 && (o.Span != "shift" || !known):
		return "hours", "only a shift has them: 8 or 12", "write 8 or 12, or leave it out"
	case o.Folder == "" && o.Mail == "":
		return "folder", "the report goes nowhere", "give folder, mail or both"
	}
	for _, f := range o.Files {
		if f != "pdf" && f != "csv" {
			return "files", words.Say("%q is no kind of file", f), "write pdf or csv"
		}
	}
	return "", "", ""
}

// orderPoll is how often it is looked whether a report is due.
const orderPoll = time.Minute

// Reports makes what console.reports asks for, until ctx ends. A report that could not be
// made or sent is tried again each minute until the next is due, and said once.
func (s *Server) Reports(ctx context.Context) error {
	if len(s.opt.Reports) == 0 {
		return nil
	}
	tick := time.NewTicker(orderPoll)
	defer tick.Stop()
	said := make([]string, len(s.opt.Reports))
	for {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case now := <-tick.C:
			p := s.b.Picture()
			if p == nil {
				continue
			}
			for i := range s.opt.Reports {
				problem := ""
				if err := s.order(ctx, &s.opt.Reports[i], p.Clock(now)); err != nil {
					problem = err.Error()
				}
				if problem != said[i] && problem != "" {
					s.log.Error("console: a report was not delivered", "span", s.opt.Reports[i].Span, "err", problem)
				}
				said[i] = problem
			}
		}
	}
}

// order delivers the report of the newest span that is over, once: a file that is there
// stays, and what was mailed is in the journal.
func (s *Server) order(ctx context.Context, o *ReportOrder, now time.Time) error {
	q := url.Values{"span": {o.Span}}
	if o.Hours != 0 {
		q.Set("hours", fmt.Sprint(o.Hours))
	}
	d, err := s.parseReport(q, now)
	if err != nil {
		return err
	}
	if d.Running { // the one before
		before, _ := url.Parse(d.Before)
		if q = before.Query(); o.Span == "season" {
			q.Set("at", d.begin.AddDate(0, 0, seasonDays-1).Format("2006-01-02"))
		}
		if d, err = s.parseReport(q, now); err != nil {
			return err
		}
	}
	kinds := o.Files
	if len(kinds) == 0 {
		kinds = []string{"pdf"}
	}
	var faults []error
	for _, kind := range kinds {
		name := d.fileName() + "." + kind
		path := filepath.Join(o.Folder, name)
		_, missing := os.Stat(path)
		save := o.Folder != "" && errors.Is(missing, fs.ErrNotExist)
		mailed := "report " + name + " mailed to " + o.Mail
		post := false
		if o.Mail != "" {
			events, err := s.b.Events(ctx, plant.EventFilter{Match: mailed, From: d.end, Kinds: []plant.EventKind{plant.EventNotify}, Limit: 1})
			post = err == nil && len(events) == 0
			faults = append(faults, err)
		}
		if !save && !post {
			continue
		}
		data, err := s.reportData(ctx, q, kind, now, s.siteLanguage())
		if err == nil && save {
			if err = os.MkdirAll(filepath.Dir(path), 0o755); err == nil {
				err = files.Write(path, data, 0o644)
			}
		}
		if err == nil && post {
			err = s.mail(ctx, o.Mail, d, name, kind, data, mailed)
		}
		faults = append(faults, err)
	}
	return errors.Join(faults...)
}

func (s *Server) mail(ctx context.Context, to string, d *report, name, kind string, data []byte, mailed string) error {
	if s.opt.Mail == nil {
		return errors.New("this program sends no mail")
	}
	subject := s.siteLanguage().Say(words.Say("%s: %s, %s to %s", s.b.House().Config.Site.Name, d.Title, d.From, d.To))
	if err := s.opt.Mail(ctx, to, subject, name, map[string]string{"pdf": "application/pdf", "csv": "text/csv; charset=utf-8"}[kind], data); err != nil {
		return fmt.Errorf("mail %s: %w", name, err)
	}
	return s.b.Note(ctx, plant.Event{Kind: plant.EventNotify, Source: "calandria", Text: mailed})
}

// fileName is the name of a report's file without its ending.
func (d *report) fileName() string {
	if d.Span.Key == "shift" {
		return "report-shift-" + d.begin.Format("2006-01-02-1504")
	}
	if d.Span.Key == "season" {
		return "report-season-" + d.At
	}
	return fmt.Sprintf("report-%s-%s", d.Span.Key, d.begin.Format("2006-01-02"))
}

// reportData is a report as a file.
func (s *Server) reportData(ctx context.Context, q url.Values, kind string, now time.Time, l *catalog.Language) ([]byte, error) {
	d, err := s.report(ctx, q, now)
	if err != nil {
		return nil, err
	}
	var b bytes.Buffer
	if kind == "pdf" {
		err = s.reportPDF(&b, d, l)
	} else {
		err = s.reportCSV(csv.NewWriter(&b), d, l)
	}
	return b.Bytes(), err
}

// Words says when a report is made, and where it goes.
func (o *ReportOrder) Words() words.Text {
	var to []words.Text
	if o.Folder != "" {
		to = append(to, words.Say("into %s", o.Folder))
	}
	if o.Mail != "" {
		to = append(to, words.Say("by mail to %s", o.Mail))
	}
	each := map[string]words.Text{"shift": "each shift %s", "day": "each day %s", "week": "each week %s", "season": "each day of the season %s"}
	return words.Say(each[o.Span], words.Join(to, " and "))
}
