package series

import (
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"

	"calandria/historian"
	"calandria/plant"
	"calandria/plant/words"
)

// csvHead is the first line of an import; an export of stored values has the site
// as one more column.
var csvHead = []string{"time", "tag", "value", "unit", "status"}

// csvTime writes time with as many digits as it has, at least to the ms; no zone
// is UTC.
func csvTime(t time.Time, zone *time.Location) string {
	if zone == nil {
		zone = time.UTC
	}
	t = t.In(zone)
	switch ns := t.Nanosecond(); {
	case ns%1_000_000 == 0:
		return t.Format("2006-01-02T15:04:05.000Z07:00")
	case ns%100 == 0:
		return t.Format("2006-01-02T15:04:05.0000000Z07:00")
	}
	return t.Format("2006-01-02T15:04:05.000000000Z07:00")
}

// csvText keeps a spreadsheet from taking text for a formula: text that begins
// with one of = + - @ tab or return gets an apostrophe in front, and so does
// text that begins with an apostrophe, so that the import can take it off.
func csvText(s string) string {
	if s != "" && strings.ContainsRune("=+-@\t\r\n'", rune(s[0])) {
		return "'" + s
	}
	return s
}

func csvPlain(s string) string {
	return strings.TrimPrefix(s, "'")
}

// csvStatus is the standard name of a status, or its code where the name alone
// would lose something.
func csvStatus(code uint32) string {
	q := plant.QualityOf(code)
	if back, ok := plant.QualityNamed(q.String()); ok && back.Code() == code {
		return q.String()
	}
	return fmt.Sprintf("0x%08X", code)
}

func parseStatus(s string) (uint32, bool) {
	if q, ok := plant.QualityNamed(s); ok {
		return q.Code(), true
	}
	if hex, ok := strings.CutPrefix(s, "0x"); ok && len(hex) == 8 {
		if n, err := strconv.ParseUint(hex, 16, 32); err == nil {
			return uint32(n), true
		}
	}
	return 0, false
}

// csvValue writes a value with the digits that name it exactly.
func csvValue(v float64) string {
	if math.IsNaN(v) {
		return ""
	}
	return strconv.FormatFloat(v, 'g', -1, 64)
}

// maxFaults is how many faults one import reports, maxAlike how many of one cause.
const (
	maxFaults = 100
	maxAlike  = 3
)

// Import reads what Write writes of stored values and stores it, durably, if all of it
// is right; otherwise nothing is stored and the error is a plant.Faults with
// file (name) and line. The tag must be known. The unit is the archive's own, or
// another one of the same dimension, which is converted; for a pressure in another
// unit it says what the reading counts from: "bar gauge", "mmHg vacuum", "mbar
// absolute", also "kPa gauge". The house, nil if there is none, knows the dimension
// of a tag and the barometer. A value that cannot be, such as an absolute pressure
// below zero, is a fault unless its status is Bad. It returns the number of samples
// read; those the archive has already are stored once.
func Import(ctx context.Context, into *historian.Archive, r io.ReadSeeker, name string, house *plant.House, now time.Time) (int, error) {
	a := archive{into}
	failed := func(err error) error { return fmt.Errorf("import %s: %w", name, err) }
	// Twice through the file: a season of samples does not fit into memory.
	n, faults, err := a.parseCSV(ctx, r, name, house, now, nil)
	if err != nil {
		return 0, failed(err)
	}
	if err := faults.Err(); err != nil {
		return 0, err
	}
	if _, err := r.Seek(0, io.SeekStart); err != nil {
		return 0, failed(err)
	}
	w := a.Bulk(ctx, nil)
	again, faults, err := a.parseCSV(ctx, r, name, house, now, func(rec plant.Record) error { return w.Add(rec.Path, rec.Point) })
	if err == nil && (again != n || len(faults) > 0) {
		err = errors.New("the file changed meanwhile; import it once more")
	}
	if err != nil {
		return 0, failed(err)
	}
	if err := w.Close(); err != nil {
		return 0, failed(err)
	}
	return n, nil
}

// csvImport is an import that is being checked.
type csvImport struct {
	name   string
	house  *plant.House
	latest time.Time // what is later cannot be
	cr     *csv.Reader
	faults plant.Faults
	units  map[string]string // of the tags that are known
	known  []string
	convs  map[conversionKey]conversion // of the tags and units met
	paths  map[string]string            // one copy of each
	alike  map[string]int               // faults by their cause
}

// fault notes one of a field of the line that was read last; field 0 is the line.
func (im *csvImport) fault(field int, name, problem, fix string) {
	cause := name + fix
	if name == "unit" || name == "tag" {
		cause += problem
	}
	im.alike[cause]++
	if im.alike[cause] > maxAlike {
		return
	}
	line, col := im.cr.FieldPos(field)
	im.faults = append(im.faults, plant.Fault{File: im.name, Line: line, Column: col, Field: name, Problem: words.Verbatim(problem), Fix: words.Verbatim(fix)})
}

// parseCSV checks an import, counts its samples and hands them to keep; nil: it
// changes nothing.
func (a archive) parseCSV(ctx context.Context, r io.Reader, name string, house *plant.House, now time.Time, keep func(plant.Record) error) (n int, faults plant.Faults, err error) {
	im := &csvImport{name: name, house: house, latest: now.Add(24 * time.Hour), cr: csv.NewReader(r), units: map[string]string{},
		convs: map[conversionKey]conversion{}, paths: map[string]string{}, alike: map[string]int{}}
	im.cr.FieldsPerRecord = -1
	im.cr.ReuseRecord = true
	for _, t := range a.Tags() {
		im.units[t.Path] = t.Unit
		im.known = append(im.known, t.Path)
	}
	header, fields := false, len(csvHead)
	for len(im.faults) < maxFaults {
		if err := ctx.Err(); err != nil {
			return 0, nil, err
		}
		rec, err := im.cr.Read()
		if err == io.EOF {
			break
		}
		if pe := (*csv.ParseError)(nil); errors.As(err, &pe) {
			im.faults = append(im.faults, plant.Fault{File: name, Line: pe.Line, Column: pe.Column, Problem: words.Of(pe.Err),
				Fix: "the file is CSV after RFC 4180, with commas"})
			break // what follows is guesswork
		}
		if err != nil {
			return 0, nil, err
		}
		if !header {
			header = true
			if len(rec) > 0 {
				rec[0] = strings.TrimPrefix(rec[0], "\ufeff") // spreadsheets put it there
			}
			if len(rec) == len(csvHead)+1 && rec[len(csvHead)] == "site" {
				fields++
			}
			if strings.Join(rec[:min(len(rec), fields, len(csvHead))], ",") != strings.Join(csvHead, ",") || len(rec) != fields {
				im.fault(0, "", fmt.Sprintf("the first line is %q", strings.Join(rec, ",")), "make it "+strings.Join(csvHead, ","))
				break
			}
			continue
		}
		if len(rec) != fields {
			im.fault(0, "", fmt.Sprintf("%d fields", len(rec)), fmt.Sprintf("give %d, as the first line has", fields))
			continue
		}
		if got, ok := im.line(rec); ok {
			n++
			if keep != nil {
				if err := keep(got); err != nil {
					return 0, nil, err
				}
			}
		}
	}
	more := 0
	for _, k := range im.alike {
		more += max(0, k-maxAlike)
	}
	if more > 0 {
		im.faults = append(im.faults, plant.Fault{File: name, Problem: words.Say("%d more faults of the same causes", more), Fix: "mend those above in every line"})
	}
	if header && n == 0 && len(im.faults) == 0 {
		im.faults = append(im.faults, plant.Fault{File: name, Line: 1, Problem: "the file has a first line and no sample", Fix: "compare it with what wrote it"})
	}
	if !header && len(im.faults) == 0 {
		im.faults = append(im.faults, plant.Fault{File: name, Line: 1, Column: 1, Problem: "the file is empty", Fix: words.Say("begin with the line %s", strings.Join(csvHead, ","))})
	}
	return n, im.faults, nil
}

// line checks the five fields of a line; false if there is a fault in it.
func (im *csvImport) line(rec []string) (plant.Record, bool) {
	right := true
	fault := func(field int, name, problem, fix string) {
		right = false
		im.fault(field, name, problem, fix)
	}
	t, err := time.Parse(time.RFC3339Nano, rec[0])
	switch {
	case err != nil:
		fault(0, "time", fmt.Sprintf("%q is not a time", rec[0]), "write it like 2026-03-01T06:00:00.000Z")
	case t.Before(plant.MinTime) || t.After(plant.MaxTime):
		fault(0, "time", fmt.Sprintf("%s is outside 1900..2200", rec[0]), "correct it")
	case t.After(im.latest):
		fault(0, "time", rec[0]+" lies in the future", "correct the year, or the clock of this machine")
	}
	path := csvPlain(rec[1])
	conv := im.conversion(path, csvPlain(rec[3]))
	code, ok := parseStatus(rec[4])
	if !ok {
		fault(4, "status", fmt.Sprintf("status %q is not known", rec[4]), "use a standard name such as Good, or 0x and eight hexadecimal digits")
	}
	v := nan
	bad := plant.QualityOf(code).IsBad()
	switch {
	case rec[2] == "" && ok && !bad:
		fault(2, "value", "there is no value, but the status is "+rec[4], "give a value, or a Bad status")
	case rec[2] != "":
		v, err = strconv.ParseFloat(rec[2], 64)
		if err != nil || math.IsInf(v, 0) || math.IsNaN(v) || strings.ContainsAny(rec[2], "xXpP_") {
			fault(2, "value", fmt.Sprintf("%q is not a decimal number", rec[2]), "write it like 56.25, with a point")
			break
		}
		if conv.scale == 0 { // another fault of the line
			break
		}
		v = v*conv.scale + conv.offset
		if !bad && !(v >= conv.low && v <= conv.high) {
			fault(2, "value", fmt.Sprintf("%s %s is no possible %s (%.6g %s)", rec[2], csvPlain(rec[3]), conv.dimension, v, im.units[path]),
				"correct the value, its unit or what it counts from, or give it a Bad status")
		}
	}
	if !right || conv.scale == 0 {
		return plant.Record{}, false
	}
	if p, ok := im.paths[path]; ok {
		path = p
	} else {
		path = strings.Clone(path)
		im.paths[path] = path
	}
	return plant.Record{Path: path, Point: plant.Point{Time: t.UTC(), Value: v, Quality: plant.QualityOf(code)}}, true
}

// conversion is that of a line's tag and unit; without scale if there is a fault.
func (im *csvImport) conversion(path, got string) conversion {
	unit, ok := im.units[path]
	if !ok {
		fix := "use a tag of the plant file"
		if near := plant.Nearest(path, im.known); near != "" {
			fix = "did you mean " + near + "?"
		}
		im.fault(1, "tag", fmt.Sprintf("tag %q is not known", path), fix)
		return conversion{}
	}
	key := conversionKey{path, got}
	conv, ok := im.convs[key]
	if !ok {
		key.path, key.unit = strings.Clone(key.path), strings.Clone(key.unit)
		conv = conversionOf(im.house, key.path, unit, key.unit)
		im.convs[key] = conv
	}
	if conv.problem != "" {
		im.fault(3, "unit", conv.problem, conv.fix)
	}
	return conv
}

type conversionKey struct{ path, unit string }

// conversion turns the values of one tag in one unit into the archive's: v*scale +
// offset, which must lie in low to high. With a problem it has no scale.
type conversion struct {
	scale, offset float64
	low, high     float64
	dimension     plant.Dimension
	problem, fix  string
}

// conversionOf finds how values of a tag that the archive keeps in the unit kept come out
// of those written in the unit got.
func conversionOf(house *plant.House, path, kept, got string) conversion {
	d := dimensionOf(house, path)
	c := conversion{scale: 1, dimension: d, low: math.Inf(-1), high: math.Inf(1)}
	if d.Canonical() == kept {
		c.low, c.high = possibleLow(d), possibleHigh(d)
	}
	if got == kept {
		return c
	}
	no := func(problem, fix string) conversion { return conversion{problem: problem, fix: fix} }
	unit, from := got, plant.Reference("")
	if i := strings.LastIndexByte(got, ' '); i > 0 {
		switch r := plant.Reference(got[i+1:]); r {
		case plant.Absolute, plant.Gauge, plant.Vacuum:
			unit, from = strings.TrimSpace(got[:i]), r
		}
	}
	if u, r, ok := plant.ReadUnit(unit); ok && r != "" && from == "" { // psig, bar(g), mmHg vac
		unit, from = u, r
	}
	other := fmt.Sprintf("unit %q, but %s is kept in %q", got, path, kept)
	if d == "" || d == plant.AnyDimension || d.Canonical() != kept {
		return no(other, "convert the values to "+kept)
	}
	scale, offset, err := plant.CanonicalFactor(d, unit)
	if err != nil {
		return no(other, "use one of "+strings.Join(plant.UnitsOf(d), ", "))
	}
	c.scale, c.offset = scale, offset
	if d == plant.Pressure && from == "" && house != nil {
		// A barometer is absolute. In the instrument's own unit the plant file says it.
		if t, ok := house.Find(path); ok && t.Class == plant.ClassSite {
			from = plant.Absolute
		} else if ok && t.Source == plant.Measured && math.Abs(t.Scale) == scale {
			from = t.Reference
		}
	}
	switch {
	case d != plant.Pressure && from != "":
		return no(other, "leave "+string(from)+" out: only a pressure counts from somewhere")
	case d != plant.Pressure || from == plant.Absolute:
		return c
	case from == "":
		return no(fmt.Sprintf("unit %q does not say what a pressure counts from", got),
			fmt.Sprintf("write %q, %q or %q", unit+" absolute", unit+" gauge", unit+" vacuum"))
	case house == nil:
		return no(other, "give the plant file: it knows the barometer")
	}
	zero := from.ToAbsolute(0, house.Config.Site.BarometerKPa)
	c.scale, c.offset = from.ToAbsolute(scale, 0), zero
	return c
}

// dimensionOf is that of the tag in the plant file, else of the signal of this name; ""
// if neither is known.
func dimensionOf(house *plant.House, path string) plant.Dimension {
	if house != nil {
		if t, ok := house.Find(path); ok {
			return t.Dimension
		}
	}
	name := path[strings.LastIndexByte(path, '.')+1:]
	d := plant.Dimension("")
	for _, s := range plant.Signals {
		if s.Name != name {
			continue
		}
		if d != "" && d != s.Dimension {
			return ""
		}
		d = s.Dimension
	}
	return d
}

// Bounds of what can be, with room for the zero error of an instrument: figures of ours.
func possibleLow(d plant.Dimension) float64 {
	switch d {
	case plant.Pressure, plant.BrixDim:
		return -1
	case plant.Temperature:
		return -60
	}
	return math.Inf(-1)
}

func possibleHigh(d plant.Dimension) float64 {
	switch d {
	case plant.Pressure:
		return 20000
	case plant.BrixDim:
		return 101
	case plant.Temperature:
		return 600
	}
	return math.Inf(1)
}
