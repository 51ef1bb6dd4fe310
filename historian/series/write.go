package series

import (
	"bufio"
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"iter"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/parquet-go/parquet-go"

	"calandria/historian"
	"calandria/plant"
)

// About is what a file of a series says of its figures.
type About struct {
	Site string
	// Metric names a tag's metric, its labels and the factor to its unit, for
	// OpenMetrics.
	Metric func(path string) Metric
	// Progress, if not nil, hears how much is written, 0..1, and up to which time.
	Progress func(done float64, at time.Time)
	// Notes, if not nil, gives the times of the notes about a tag, for AnnotationCount.
	Notes func(ctx context.Context, path string, from, to time.Time) ([]time.Time, error)
}

// Metric is a tag as Prometheus knows it.
type Metric struct {
	Name, Help     string
	Labels, Values []string
	Scale          float64
}

// Write writes what a query asks for. It returns the cursor of what is left
// when the limit was reached, else "". Errors: *plant.QueryError for a query that
// cannot be; *historian.DamageError if the archive is damaged there: all else is written, and
// a damaged stretch is one value with Bad_DataLost.
func Write(ctx context.Context, from *historian.Archive, w io.Writer, q plant.SeriesQuery, about About) (cursor string, err error) {
	a := archive{from}
	if err := Check(&q); err != nil {
		return "", err
	}
	if q.Format == "openmetrics" { // families have to stand together
		q.Paths = slices.Clone(q.Paths)
		slices.SortStableFunc(q.Paths, func(x, y string) int {
			return strings.Compare(about.Metric(x).Name, about.Metric(y).Name)
		})
	}
	bw := bufio.NewWriter(w)
	table := q.Columns && q.Format != "json"
	out, err := newFigureWriter(bw, &q, about, a.Tags())
	if err != nil {
		return "", fmt.Errorf("write series: %w", err)
	}
	if cursor, err = writeFigures(a.figures(ctx, q, table, about), &q, about.Progress, out); err == nil {
		err = out.close(cursor)
	}
	if err = errors.Join(err, bw.Flush()); err != nil {
		return "", fmt.Errorf("write series: %w", err)
	}
	if d := a.Damage(q.From, q.To); len(d) > 0 {
		return cursor, &historian.DamageError{Damage: d}
	}
	return cursor, nil
}

// writeFigures writes up to the limit; a page ends where the time changes, so that
// the next one can begin there.
func writeFigures(figures iter.Seq2[Figure, error], q *plant.SeriesQuery, progress func(float64, time.Time), out figureWriter) (cursor string, err error) {
	n, last := 0, Figure{tag: -1}
	for f, err := range figures {
		if err != nil {
			return "", err
		}
		if q.Limit > 0 && n >= q.Limit && (f.from != last.from || !q.Columns && f.tag != last.tag) {
			return fmt.Sprintf("%d.%d", f.tag, f.from), nil
		}
		if err := out.figure(&f); err != nil {
			return "", err
		}
		n, last = n+1, f
		if progress != nil && n%4096 == 0 {
			share := float64(f.from-q.From.UnixNano()) / float64(q.To.Sub(q.From))
			if !q.Columns {
				share = (float64(f.tag) + share) / float64(len(q.Paths))
			}
			progress(share, f.Time)
		}
	}
	if progress != nil {
		progress(1, q.To)
	}
	return "", nil
}

// figureWriter is one way to write figures.
type figureWriter interface {
	figure(f *Figure) error
	close(cursor string) error
}

func newFigureWriter(w io.Writer, q *plant.SeriesQuery, about About, tags []historian.TagInfo) (figureWriter, error) {
	switch {
	case q.Format == "openmetrics":
		return &metricsWriter{w: w, about: about}, nil
	case q.Format == "json" && q.Columns:
		return &seriesWriter{w: w, q: q, site: about.Site}, nil
	}
	var t tableWriter
	switch q.Format {
	case "csv":
		t = &csvTable{w: csv.NewWriter(w), q: q}
	case "parquet":
		t = &parquetTable{w: w, options: historian.ParquetOptions(about.Site, tags, q.Paths)}
	default:
		t = &jsonTable{w: w, q: q, site: about.Site}
	}
	if q.Columns {
		return newWide(t, q)
	}
	return newLong(t, q, about.Site)
}

// tableWriter writes rows of time.Time, string, float64 (NaN: none) and status
// (uint32), as the columns say.
type tableWriter interface {
	head(cols []column) error
	row(vals []any) error
	close(cursor string) error
}

type column struct {
	name string
	kind byte // t time, s text, n number, q status
}

// longWriter gives each figure a row.
type longWriter struct {
	tableWriter
	plain bool
	site  string
}

func newLong(t tableWriter, q *plant.SeriesQuery, site string) (*longWriter, error) {
	l := &longWriter{t, len(q.At)+len(q.Aggregates)+q.Points == 0, site}
	cols := []column{{"time", 't'}, {"tag", 's'}, {"value", 'n'}, {"unit", 's'}, {"status", 'q'}}
	if !l.plain {
		cols = append(cols, column{"aggregate", 's'}, column{"flags", 's'}, column{"percent_good", 'n'})
	}
	return l, t.head(append(cols, column{"site", 's'}))
}

func (l *longWriter) figure(f *Figure) error {
	code := f.Quality.Code()
	if l.plain {
		return l.row([]any{f.Time, f.Tag, f.Value, f.Unit, code, l.site})
	}
	return l.row([]any{f.Time, f.Tag, f.Value, f.Unit, code & highBits, f.Aggregate, flagsOf(code), math.Round(f.PercentGood*10) / 10, l.site})
}

// wideWriter gives each tag columns, and each time a row; figures come in order
// of time. The time of an aggregate is the start of its interval.
type wideWriter struct {
	tableWriter
	place map[string]int // of tag and aggregate: its first column
	vals  []any
	at    int64
	begun bool
	plain bool
}

func newWide(t tableWriter, q *plant.SeriesQuery) (*wideWriter, error) {
	aggs := q.Aggregates
	switch {
	case len(q.At) > 0:
		aggs = []string{"Interpolative"}
	case q.Points > 0:
		aggs = []string{"Minimum", "Maximum", "Mean"}
	case len(aggs) == 0:
		aggs = []string{""}
	}
	w := &wideWriter{tableWriter: t, place: map[string]int{}, plain: aggs[0] == ""}
	cols := []column{{"time", 't'}}
	for _, path := range q.Paths {
		for _, agg := range aggs {
			name := strings.TrimSpace(path + " " + agg)
			w.place[path+" "+agg] = len(cols)
			cols = append(cols, column{name, 'n'}, column{name + " status", 'q'})
			if !w.plain {
				cols = append(cols, column{name + " percent_good", 'n'})
			}
		}
	}
	w.vals = make([]any, len(cols))
	return w, t.head(cols)
}

func (w *wideWriter) figure(f *Figure) error {
	i := w.place[f.Tag+" "+f.Aggregate]
	if !w.begun || f.from != w.at {
		if err := w.flush(); err != nil {
			return err
		}
		w.at, w.begun, w.vals[0] = f.from, true, time.Unix(0, f.from).UTC()
	}
	w.vals[i], w.vals[i+1] = f.Value, f.Quality.Code()
	if !w.plain {
		w.vals[i+1], w.vals[i+2] = f.Quality.Code()&highBits, math.Round(f.PercentGood*10)/10
	}
	return nil
}

func (w *wideWriter) flush() error {
	if !w.begun {
		return nil
	}
	err := w.row(w.vals)
	clear(w.vals)
	return err
}

func (w *wideWriter) close(cursor string) error {
	return errors.Join(w.flush(), w.tableWriter.close(cursor))
}

// timeText writes a time as the query wants it.
func timeText(q *plant.SeriesQuery, t time.Time) string {
	switch q.Epoch {
	case "s":
		return strconv.FormatFloat(float64(t.UnixMilli())/1000, 'f', -1, 64)
	case "ms":
		return strconv.FormatInt(t.UnixMilli(), 10)
	}
	return csvTime(t, q.Zone)
}

type csvTable struct {
	w   *csv.Writer
	q   *plant.SeriesQuery
	rec []string
}

func (c *csvTable) head(cols []column) error {
	names := make([]string, len(cols))
	for i, x := range cols {
		names[i] = csvText(x.name)
	}
	c.rec = make([]string, len(cols))
	return c.w.Write(names)
}

func (c *csvTable) row(vals []any) error {
	for i, v := range vals {
		switch v := v.(type) {
		case time.Time:
			c.rec[i] = timeText(c.q, v)
		case string:
			c.rec[i] = csvText(v)
		case float64:
			c.rec[i] = csvValue(v)
		case uint32:
			c.rec[i] = csvStatus(v)
		default:
			c.rec[i] = ""
		}
	}
	return c.w.Write(c.rec)
}

func (c *csvTable) close(string) error {
	c.w.Flush()
	return c.w.Error()
}

// jsonTable is {"site":...,"rows":[{...}],"next":...}, a status with name and code.
type jsonTable struct {
	w    io.Writer
	q    *plant.SeriesQuery
	site string
	cols []column
	n    int
	buf  []byte
}

func (j *jsonTable) head(cols []column) error {
	j.cols = cols
	_, err := fmt.Fprintf(j.w, `{"site":%s,"rows":[`, jsonOf(j.site))
	return err
}

func (j *jsonTable) row(vals []any) error {
	b := j.buf[:0]
	if j.n++; j.n > 1 {
		b = append(b, ',')
	}
	b = append(b, '\n', '{')
	for i, v := range vals {
		if i > 0 {
			b = append(b, ',')
		}
		b = append(append(b, jsonOf(j.cols[i].name)...), ':')
		switch v := v.(type) {
		case time.Time:
			b = appendTime(b, j.q, v)
		case float64:
			b = appendNumber(b, v)
		case uint32:
			b = append(b, jsonOf(plant.QualityOf(v).String())...)
			b = append(append(append(b, ','), jsonOf(strings.TrimSuffix(j.cols[i].name, "status")+"code")...), ':')
			b = strconv.AppendUint(b, uint64(v), 10)
		default:
			b = append(b, jsonOf(v)...)
		}
	}
	j.buf = append(b, '}')
	_, err := j.w.Write(j.buf)
	return err
}

func (j *jsonTable) close(cursor string) error {
	_, err := fmt.Fprintf(j.w, "\n],\"next\":%s}\n", jsonOf(cursor))
	return err
}

func jsonOf(v any) []byte {
	b, _ := json.Marshal(v) // strings and nil only
	return b
}

func appendNumber(b []byte, v float64) []byte {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return append(b, "null"...)
	}
	return strconv.AppendFloat(b, v, 'g', -1, 64)
}

func appendTime(b []byte, q *plant.SeriesQuery, t time.Time) []byte {
	if q.Epoch != "" {
		return append(b, timeText(q, t)...)
	}
	return append(append(append(b, '"'), timeText(q, t)...), '"')
}

// seriesWriter is {"site":...,"series":[{"tag":...,"time":[],"value":[],...}]}: one
// series for each tag and aggregate, as arrays.
type seriesWriter struct {
	w    io.Writer
	q    *plant.SeriesQuery
	site string
	open []*arrays // of the tag that is being written
	n    int
}

type arrays struct {
	Figure
	time, value, status, good []byte
}

func (s *seriesWriter) figure(f *Figure) error {
	if len(s.open) > 0 && s.open[0].tag != f.tag {
		if err := s.flush(); err != nil {
			return err
		}
	}
	i := slices.IndexFunc(s.open, func(a *arrays) bool { return a.Aggregate == f.Aggregate && a.Unit == f.Unit })
	if i < 0 {
		i = len(s.open)
		s.open = append(s.open, &arrays{Figure: *f})
	}
	a := s.open[i]
	if len(a.time) > 0 {
		a.time, a.value, a.status, a.good = append(a.time, ','), append(a.value, ','), append(a.status, ','), append(a.good, ',')
	}
	a.time = appendTime(a.time, s.q, f.Time)
	a.value = appendNumber(a.value, f.Value)
	a.status = strconv.AppendUint(a.status, uint64(f.Quality.Code()), 10)
	a.good = appendNumber(a.good, math.Round(f.PercentGood*10)/10)
	return nil
}

func (s *seriesWriter) flush() error {
	for _, a := range s.open {
		if s.n++; s.n == 1 {
			fmt.Fprintf(s.w, `{"site":%s,"series":[`, jsonOf(s.site)) // a bufio.Writer keeps its error
		} else {
			fmt.Fprint(s.w, ",")
		}
		good := ""
		if a.Aggregate != "" {
			good = fmt.Sprintf(`,"percent_good":[%s]`, a.good)
		}
		if _, err := fmt.Fprintf(s.w, "\n{\"tag\":%s,\"unit\":%s,\"aggregate\":%s,\"time\":[%s],\"value\":[%s],\"status\":[%s]%s}",
			jsonOf(a.Tag), jsonOf(a.Unit), jsonOf(a.Aggregate), a.time, a.value, a.status, good); err != nil {
			return err
		}
	}
	s.open = nil
	return nil
}

func (s *seriesWriter) close(cursor string) error {
	if err := s.flush(); err != nil {
		return err
	}
	if s.n == 0 {
		fmt.Fprintf(s.w, `{"site":%s,"series":[`, jsonOf(s.site))
	}
	_, err := fmt.Fprintf(s.w, "\n],\"next\":%s}\n", jsonOf(cursor))
	return err
}

// parquetTable is a Parquet file; a status has a column with its name beside it.
type parquetTable struct {
	w       io.Writer
	options []parquet.WriterOption
	cols    []column
	pw      *parquet.GenericWriter[any]
	place   []int // of each column in the file, and of the name of a status
	named   []int
}

func (p *parquetTable) head(cols []column) error {
	group := parquet.Group{}
	text := parquet.Encoded(parquet.String(), &parquet.RLEDictionary)
	for _, c := range cols {
		switch c.kind {
		case 't':
			group[c.name] = parquet.Encoded(parquet.Timestamp(parquet.Microsecond), &parquet.DeltaBinaryPacked)
		case 's':
			group[c.name] = text
		case 'n':
			group[c.name] = parquet.Optional(parquet.Leaf(parquet.DoubleType))
		case 'q':
			group[c.name] = parquet.Optional(parquet.Uint(32))
			group[c.name+"_name"] = parquet.Optional(text)
		}
	}
	schema := parquet.NewSchema("series", group)
	for _, c := range cols {
		leaf, _ := schema.Lookup(c.name)
		name, _ := schema.Lookup(c.name + "_name")
		p.place, p.named = append(p.place, leaf.ColumnIndex), append(p.named, name.ColumnIndex)
	}
	p.cols = cols
	p.pw = parquet.NewGenericWriter[any](p.w, append(p.options, schema)...)
	return nil
}

func (p *parquetTable) row(vals []any) error {
	row := make(parquet.Row, 0, 2*len(vals))
	optional := func(v any, at int) {
		if v == nil {
			row = append(row, parquet.NullValue().Level(0, 0, at))
			return
		}
		row = append(row, parquet.ValueOf(v).Level(0, 1, at))
	}
	for i, v := range vals {
		at := p.place[i]
		switch p.cols[i].kind {
		case 't':
			row = append(row, parquet.ValueOf(v.(time.Time).UnixMicro()).Level(0, 0, at))
		case 's':
			row = append(row, parquet.ValueOf(v).Level(0, 0, at))
		case 'n':
			if x, ok := v.(float64); ok && math.IsNaN(x) {
				v = nil
			}
			optional(v, at)
		case 'q':
			var name any
			if code, ok := v.(uint32); ok {
				name = plant.QualityOf(code).String()
			}
			optional(v, at)
			optional(name, p.named[i])
		}
	}
	slices.SortFunc(row, func(x, y parquet.Value) int { return x.Column() - y.Column() })
	_, err := p.pw.WriteRows([]parquet.Row{row})
	return err
}

func (p *parquetTable) close(string) error { return p.pw.Close() }

// metricsWriter is OpenMetrics: the usable values, in the names and units of
// /metrics, so that Prometheus can take over the past.
type metricsWriter struct {
	w      io.Writer
	about  About
	tag    int
	m      Metric
	family string
	labels string
	last   int64
}

func (o *metricsWriter) figure(f *Figure) error {
	if o.family == "" || f.tag != o.tag {
		o.tag, o.m, o.last = f.tag, o.about.Metric(f.Tag), math.MinInt64
		var name strings.Builder
		name.WriteString(o.m.Name)
		for i, r := range f.Aggregate {
			if i == 0 || r >= 'A' && r <= 'Z' {
				name.WriteString("_")
			}
			name.WriteString(strings.ToLower(string(r)))
		}
		o.labels = ""
		for i, l := range o.m.Labels {
			o.labels += fmt.Sprintf(`%s=%q,`, l, o.m.Values[i])
		}
		if name.String() != o.family {
			o.family = name.String()
			if _, err := fmt.Fprintf(o.w, "# HELP %s %s\n# TYPE %s gauge\n", name.String(), o.m.Help, name.String()); err != nil {
				return err
			}
		}
	}
	ms := f.Time.UnixMilli()
	if !f.Usable() || ms <= o.last {
		return nil
	}
	o.last = ms
	_, err := fmt.Fprintf(o.w, "%s{%s} %s %d.%03d\n", o.family, strings.TrimSuffix(o.labels, ","), csvValue(f.Value*o.m.Scale), ms/1000, ms%1000)
	return err
}

func (o *metricsWriter) close(string) error {
	_, err := fmt.Fprint(o.w, "# EOF\n")
	return err
}
