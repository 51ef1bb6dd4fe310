package historian

import (
	"context"
	"encoding/json"
	"errors"
	"io"
	"math"
	"slices"
	"sort"
	"time"

	"github.com/parquet-go/parquet-go"
	"github.com/parquet-go/parquet-go/compress/zstd"
	"github.com/parquet-go/parquet-go/encoding"
	"golang.org/x/sync/errgroup"

	"calandria/plant"
	"calandria/plant/words"
)

// openParquet opens a file; a library panic on a damaged file is an error.
// The index of pages lets a reader skip those before its rows.
func openParquet(f io.ReaderAt, size int64, pages bool) (pf *parquet.File, err error) {
	defer recoverTo(&err)
	return parquet.OpenFile(f, size, parquet.SkipPageIndex(!pages), parquet.SkipBloomFilters(true))
}

// recoverTo turns a panic of the Parquet library (damaged pages) into an error.
func recoverTo(err *error) {
	if p := recover(); p != nil {
		*err = words.Errorf("damaged file: %s", p)
	}
}

// fillFile writes the rows of a file and completes the head.
type fillFile func(io.Writer, *fileHead) error

// rawRow is one line of a raw file. The unit of time is the coarsest that loses
// nothing. Values that are decimal numbers are few different ones, and go into a
// dictionary.
type rawRow struct {
	Tag    string   `parquet:"tag,dict"`
	Time   int64    `parquet:"time,timestamp(nanosecond),delta"`
	Value  *float64 `parquet:"value,optional,split"`
	Status uint32   `parquet:"status,dict"`
	Unit   string   `parquet:"unit,dict"`
}

// Columns of a raw file; that of time is the same in all files.
const (
	colTime   = 1
	colValue  = 2
	colStatus = 3
)

var timeTags = map[int64]parquet.SchemaOption{
	1:         parquet.StructTag(`parquet:"time,timestamp(nanosecond),delta"`, "Time"),
	1_000:     parquet.StructTag(`parquet:"time,timestamp(microsecond),delta"`, "Time"),
	1_000_000: parquet.StructTag(`parquet:"time,timestamp(millisecond),delta"`, "Time"),
}

var valueTags = map[bool]parquet.SchemaOption{
	false: parquet.StructTag(`parquet:"value,optional,split"`, "Value"),
	true:  parquet.StructTag(`parquet:"value,optional,dict"`, "Value"),
}

const (
	groupMin = 16 << 10  // rows: a row group ends at the next tag after these
	groupMax = 512 << 10 // rows: and inside a tag at these
)

// taggedSeries is the samples of one tag under one unit.
type taggedSeries struct {
	path, unit string
	decimals   int
	series
}

// rawHead is that of a raw file before there is anything in it.
func rawHead(decimal bool) fileHead {
	return fileHead{From: math.MaxInt64, To: math.MinInt64, Tick: int64(time.Millisecond), Decimal: decimal}
}

// compression pools its encoders, which are big; so there is one.
var compression = &zstd.Codec{Level: zstd.SpeedBetterCompression, Concurrency: 1}

func writerOptions() []parquet.WriterOption {
	return []parquet.WriterOption{
		parquet.Compression(compression),
		parquet.CreatedBy("calandria", "1", ""),
		parquet.DataPageStatistics(false),
		parquet.PageBufferSize(64 << 10), // what a reader of a short stretch has to decode
	}
}

// fillRaw writes the series that each hands out, sorted by path and unit.
func fillRaw(each func(put func(*taggedSeries) error) error) fillFile {
	return func(w io.Writer, h *fileHead) error {
		return writeTable(w, h, func(t *rowWriter[rawRow]) error {
			return each(func(s *taggedSeries) error {
				n := s.len()
				if n == 0 {
					return nil
				}
				h.From, h.To = min(h.From, s.time[0]), max(h.To, s.time[n-1]+1)
				for _, t := range s.time {
					if t%h.Tick != 0 {
						return errTick
					}
				}
				e := fileEntry{Path: s.path, Unit: s.unit, Rows: int64(n), Min: s.time[0], Max: s.time[n-1]}
				if h.Decimal {
					decimals := s.decimals
					e.Decimals = &decimals
				}
				return t.put(e, func(i int) rawRow {
					r := rawRow{Tag: s.path, Unit: s.unit, Time: s.time[i] / h.Tick, Status: s.status[i]}
					if v := &s.value[i]; !math.IsNaN(*v) {
						r.Value = v
					}
					return r
				})
			})
		}, timeTags[h.Tick], valueTags[h.Decimal])
	}
}

// rowWriter writes the rows of one tag after the other.
type rowWriter[T any] struct {
	*parquet.GenericWriter[T]
	head    *fileHead
	rows    []T
	inGroup int
}

func writeTable[T any](w io.Writer, head *fileHead, fill func(*rowWriter[T]) error, tags ...parquet.SchemaOption) (err error) {
	defer recoverTo(&err)
	options := writerOptions()
	for _, t := range tags {
		options = append(options, t.(parquet.WriterOption))
	}
	t := &rowWriter[T]{GenericWriter: parquet.NewGenericWriter[T](w, options...), head: head, rows: make([]T, 0, 8192)}
	if err := fill(t); err != nil {
		return err
	}
	js, err := json.Marshal(head)
	if err != nil {
		return err
	}
	t.SetKeyValueMetadata(indexKey, string(js))
	if head.about != nil {
		t.SetKeyValueMetadata(aboutKey, head.about(head.Tags))
	}
	return t.Close()
}

// put writes the e.Rows rows of an entry.
func (t *rowWriter[T]) put(e fileEntry, row func(i int) T) error {
	for i := 0; i < int(e.Rows); {
		t.rows = t.rows[:0]
		for end := min(int(e.Rows), i+cap(t.rows), i+groupMax-t.inGroup); i < end; i++ {
			t.rows = append(t.rows, row(i))
		}
		t.inGroup += len(t.rows)
		if _, err := t.Write(t.rows); err != nil {
			return err
		}
		if t.inGroup >= groupMax || t.inGroup >= groupMin && i == int(e.Rows) {
			t.inGroup = 0
			if err := t.Flush(); err != nil {
				return err
			}
		}
	}
	t.head.Tags = append(t.head.Tags, e)
	return nil
}

// scan appends to out the rows of an entry with from <= time < to. The caller
// holds a reference to the file.
func (c *coldFile) scan(ctx context.Context, e fileEntry, from, to int64, out *series) error {
	return c.eachGroup(ctx, e, from, to, func(cols []parquet.ColumnChunk, a, b int64) error {
		n := out.len()
		out.grow(int(b - a))
		err := inParallel(int(b-a), func() (err error) {
			if out.time, err = c.readTimes(cols, a, b, out.time); err == nil {
				out.status, err = readColumn(cols[colStatus], a, b, 0, (*encoding.Values).Uint32, out.status)
			}
			return err
		}, func() (err error) {
			out.value, err = readColumn(cols[colValue], a, b, nan, (*encoding.Values).Double, out.value)
			return err
		})
		got := series{out.time[n:], out.value[n:], out.status[n:]}
		if err == nil && (len(got.value) != got.len() || len(got.status) != got.len()) {
			err = words.Errorf("columns differ in length")
		}
		if err != nil {
			return err
		}
		lo, hi := got.within(from, to)
		out.cut(n)
		out.appendSeries(got.slice(lo, max(lo, hi)))
		return nil
	})
}

// parallelRows is how many rows make it worth to use a second processor.
const parallelRows = 20_000

// inParallel runs both, at once if there are many rows.
func inParallel(rows int, f, g func() error) error {
	safe := func(f func() error) func() error {
		return func() (err error) {
			defer recoverTo(&err)
			return f()
		}
	}
	var both errgroup.Group
	if rows < parallelRows {
		both.SetLimit(1)
	}
	both.Go(safe(f))
	both.Go(safe(g))
	return both.Wait()
}

// eachGroup hands out the row groups that hold rows of an entry with from <= time
// < to, with the rows a to b of each: those of the entry in pages that may hold
// such times.
func (c *coldFile) eachGroup(ctx context.Context, e fileEntry, from, to int64, f func(cols []parquet.ColumnChunk, a, b int64) error) (err error) {
	defer recoverTo(&err)
	if e.Max < from || e.Min >= to {
		return nil
	}
	pf, err := c.index()
	if err != nil {
		return err
	}
	groups, groupAt := pf.RowGroups(), pf.groupAt
	g := sort.Search(len(groupAt), func(i int) bool { return groupAt[i] > e.first }) - 1
	for ; g >= 0 && g < len(groups) && groupAt[g] < e.first+e.Rows; g++ {
		if err := ctx.Err(); err != nil {
			return err
		}
		cols := groups[g].ColumnChunks()
		a := max(e.first-groupAt[g], 0)
		b := min(e.first+e.Rows-groupAt[g], groups[g].NumRows())
		if e.Min < from || e.Max >= to {
			a, b = narrow(cols[colTime], a, b, floorTo(from, c.head.Tick)/c.head.Tick, to/c.head.Tick)
		}
		if a >= b {
			continue
		}
		if err := f(cols, a, b); err != nil {
			return words.Errorf("read %s of %s: %s", e.Path, c.path, err)
		}
	}
	return nil
}

// narrow leaves out of rows a to b, whose times rise, the pages at both ends
// that have only times before from or after to.
func narrow(times parquet.ColumnChunk, a, b, from, to int64) (int64, int64) {
	at, err := times.OffsetIndex()
	bounds, err2 := times.ColumnIndex()
	if err != nil || err2 != nil {
		return a, b
	}
	for i := range at.NumPages() {
		first, end := at.FirstRowIndex(i), b
		if i+1 < at.NumPages() {
			end = min(b, at.FirstRowIndex(i+1))
		}
		switch {
		case end <= a:
		case first >= b:
			return a, b
		case bounds.MaxValue(i).Int64() < from:
			a = end
		case first >= a && bounds.MinValue(i).Int64() > to:
			return a, first
		}
	}
	return a, b
}

// readTimes appends the times of rows a to b in ns.
func (c *coldFile) readTimes(cols []parquet.ColumnChunk, a, b int64, out []int64) ([]int64, error) {
	n := len(out)
	out, err := readColumn(cols[colTime], a, b, 0, (*encoding.Values).Int64, out)
	if c.head.Tick != 1 {
		for i := range out[n:] {
			out[n+i] *= c.head.Tick
		}
	}
	return out, err
}

// readColumn appends rows a to b of a column; none stands where there is no value.
func readColumn[T any](c parquet.ColumnChunk, a, b int64, none T, of func(*encoding.Values) []T, out []T) ([]T, error) {
	pages := c.Pages()
	defer pages.Close()
	if err := pages.SeekToRow(a); err != nil {
		return out, err
	}
	for a < b {
		p, err := pages.ReadPage()
		if errors.Is(err, io.EOF) {
			err = io.ErrUnexpectedEOF
		}
		if err != nil {
			return out, err
		}
		n, use := p.NumRows(), p
		if n > b-a {
			n, use = b-a, p.Slice(0, b-a)
		}
		begin, data := len(out), use.Data()
		if dict := use.Dictionary(); dict != nil {
			all := dict.Page().Data()
			words := of(&all)
			for _, i := range data.Int32() {
				out = append(out, words[i])
			}
		} else {
			out = append(out, of(&data)...)
		}
		if use.NumNulls() > 0 { // spread them, from behind
			k := len(out) - begin
			out = slices.Grow(out, int(n)-k)[:begin+int(n)]
			levels := use.DefinitionLevels()
			for i := int(n) - 1; i >= 0; i-- {
				if levels[i] == 0 {
					out[begin+i] = none
				} else {
					k--
					out[begin+i] = out[begin+k]
				}
			}
		}
		parquet.Release(p)
		a += n
	}
	return out, nil
}

// aboutKey is the footer entry that explains a Parquet file.
const aboutKey = "calandria.about"

// formatVersion of what calandria.about says.
const formatVersion = 1

// aboutJSON says what the tags, sorted by path as the infos are, and the status codes
// of a file mean.
func aboutJSON(site string, infos []TagInfo, paths []string) string {
	type told struct {
		Unit    string         `json:"unit"`
		Meaning string         `json:"meaning,omitempty"`
		Class   string         `json:"class,omitempty"`
		Low     *float64       `json:"low,omitempty"`
		High    *float64       `json:"high,omitempty"`
		States  map[int]string `json:"states,omitempty"`
	}
	wanted := map[string]bool{}
	for _, p := range paths {
		wanted[p] = true
	}
	tags := map[string]told{}
	for _, t := range infos {
		if wanted[t.Path] {
			tags[t.Path] = told{t.Unit, t.Meaning, t.Class, t.Low, t.High, t.States}
		}
	}
	b, err := json.Marshal(map[string]any{"format": formatVersion, "site": site, "tags": tags, "statuses": plant.QualityNames()})
	if err != nil {
		return "{}"
	}
	return string(b)
}

// ParquetOptions are those of a Parquet file with samples of the paths, which says what
// they mean.
func ParquetOptions(site string, infos []TagInfo, paths []string) []parquet.WriterOption {
	return append(writerOptions(), parquet.KeyValueMetadata(aboutKey, aboutJSON(site, infos, paths)))
}
