package console

import (
	"bytes"
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"calandria/plant"
	"calandria/plant/words"
)

// usualPage is how many figures one answer has unless asked otherwise.
const usualPage = 20_000

var seriesTypes = map[string]string{
	"json": "application/json; charset=utf-8", "csv": "text/csv; charset=utf-8", "parquet": "application/vnd.apache.parquet",
	"openmetrics": "application/openmetrics-text; version=1.0.0; charset=utf-8",
}

// apiSeries is history: stored values, values at moments, aggregates, or
// condensed for a screen.
func (s *Server) apiSeries(w http.ResponseWriter, r *http.Request) error {
	q, err := s.parseSeries(r.URL.Query(), s.b.Picture().Clock(time.Now()))
	if err == nil {
		err = q.Check()
	}
	if err != nil {
		return err
	}
	h := w.Header()
	if mark := s.b.SeriesMark(q); mark != "" {
		sum := sha256.Sum256([]byte(mark + r.URL.RawQuery))
		tag := `"` + hex.EncodeToString(sum[:12]) + `"`
		h.Set("ETag", tag)
		h.Set("Cache-Control", "private, no-cache")
		if slices.Contains(strings.Split(strings.ReplaceAll(r.Header.Get("If-None-Match"), " ", ""), ","), tag) {
			w.WriteHeader(http.StatusNotModified)
			return nil
		}
	}
	ctx, cancel := context.WithTimeout(r.Context(), trendTimeout)
	defer cancel()
	if err := s.turn(ctx); err != nil {
		return err
	}
	defer s.done()
	var buf bytes.Buffer
	cursor, err := s.b.WriteSeries(ctx, &buf, q)
	if err != nil {
		h.Del("ETag")
		return err
	}
	h.Set("Content-Type", seriesTypes[q.Format])
	h.Set("Content-Length", strconv.Itoa(buf.Len()))
	if q.Format != "json" {
		ext := map[string]string{"openmetrics": "txt"}[q.Format]
		ext = cmp.Or(ext, q.Format)
		h.Set("Content-Disposition", fmt.Sprintf(`attachment; filename="series_%s.%s"`, q.From.UTC().Format("20060102T150405Z"), ext))
	}
	if cursor != "" {
		next := r.URL.Query()
		next.Set("cursor", cursor)
		// Ages count from now: a page further on is of the same time.
		next.Del("span")
		next.Set("from", q.From.Format(time.RFC3339Nano))
		next.Set("to", q.To.Format(time.RFC3339Nano))
		h.Set("Link", "<"+r.URL.Path+"?"+next.Encode()+`>; rel="next"`)
	}
	w.Write(buf.Bytes())
	return nil
}

// parseSeries reads what openapi.json lists of /api/v1/series.
func (s *Server) parseSeries(v url.Values, now time.Time) (q plant.SeriesQuery, err error) {
	q = plant.SeriesQuery{Format: "json", Zone: s.zone, Limit: usualPage, Cursor: v.Get("cursor")}
	if name := v.Get("zone"); name != "" {
		if q.Zone, err = time.LoadLocation(name); err != nil || name == "Local" {
			return q, badQuery("zone: give the name of a time zone, such as Asia/Kolkata or UTC.")
		}
	}
	if q.Paths, err = s.tagsOf(v["tag"]); err != nil {
		return q, err
	}
	span, err := parseSpan(v, q.Zone, now, time.Hour)
	if err != nil {
		return q, err
	}
	q.From, q.To = span.From, span.To
	for _, text := range list(v["at"]) {
		t, err := plant.ParseMoment(text, q.Zone, now)
		if err != nil {
			return q, badQuery("at: %s.", err)
		}
		q.At = append(q.At, t)
	}
	if slices.SortFunc(q.At, time.Time.Compare); len(q.At) > 0 { // they say themselves when
		q.From, q.To = q.At[0], q.At[len(q.At)-1].Add(time.Millisecond)
	}
	known := s.b.Aggregates()
	for _, name := range list(v["aggregate"]) {
		if !slices.Contains(known, name) {
			return q, badQuery("aggregate: %q is not known; use one of %s.", name, strings.Join(known, ", "))
		}
		q.Aggregates = append(q.Aggregates, name)
	}
	if text := v.Get("interval"); text != "" {
		if q.Interval, err = plant.ParseDuration(text); err != nil {
			return q, badQuery("interval: write it like 10m, 8h or 1d.")
		}
	}
	for name, into := range map[string]*int{"points": &q.Points, "limit": &q.Limit} {
		if text := v.Get(name); text != "" {
			if *into, err = strconv.Atoi(text); err != nil || *into < 1 {
				return q, badQuery("%s: give a whole number from 1 to %d.", name, map[string]int{"points": plant.MaxSeriesPoints, "limit": plant.MaxSeriesPage}[name])
			}
		}
	}
	pick := func(name, usual string, of ...string) string {
		text := v.Get(name)
		text = cmp.Or(text, usual)
		if !slices.Contains(of, text) && err == nil {
			err = badQuery("%s: use one of %s.", name, strings.Join(of, ", "))
		}
		return text
	}
	q.Format = pick("format", "json", plant.SeriesFormats...)
	q.Columns = pick("shape", "rows", "rows", "columns") == "columns"
	q.Epoch = pick("time", "rfc3339", "rfc3339", "s", "ms")
	if q.Epoch == "rfc3339" {
		q.Epoch = ""
	}
	q.UncertainAsGood = pick("uncertain", "bad", "bad", "good") == "good"
	return q, err
}

// list is the parts of repeated parameters, which may have commas.
func list(given []string) (out []string) {
	for _, g := range given {
		for part := range strings.SplitSeq(g, ",") {
			if part = strings.TrimSpace(part); part != "" {
				out = append(out, part)
			}
		}
	}
	return out
}

// tagsOf resolves paths, with a * at the end for any ending.
func (s *Server) tagsOf(given []string) ([]string, error) {
	h := s.b.House()
	all := make([]string, len(h.Tags))
	for i := range h.Tags {
		all[i] = h.Tags[i].Path
	}
	paths, missing := plant.MatchPaths(list(given), all)
	switch {
	case missing != "":
		return nil, s.noTag(missing)
	case len(paths) > plant.MaxSeriesTags:
		return nil, badQuery("tag: at most %d at once.", plant.MaxSeriesTags)
	}
	return paths, nil
}

func (s *Server) noTag(path string) error {
	if near := s.b.House().Suggest(path); near != "" {
		return notFound(words.Say("There is no tag of that name. Did you mean %s?", near))
	}
	return notFound("There is no tag of that name.")
}

// timeSpan is a stretch of time of a page or an answer.
type timeSpan struct {
	From, To time.Time
	Span     string // as given; "": From and To were
	Live     bool   // To is now
}

// momentOf reads a time; none is the zero time.
func momentOf(v url.Values, name string, zone *time.Location, now time.Time) (at time.Time, err error) {
	if text := v.Get(name); text != "" {
		if at, err = plant.ParseMoment(text, zone, now); err != nil {
			err = badQuery("%s: write a time as 2026-03-01T06:00:00Z, a date, seconds or milliseconds since 1970, or an age such as 8h.", name)
		}
	}
	return at, err
}

// parseSpan reads from and to, or span with an optional to.
func parseSpan(v url.Values, zone *time.Location, now time.Time, usual time.Duration) (t timeSpan, err error) {
	if t.From, err = momentOf(v, "from", zone, now); err != nil {
		return t, err
	}
	if t.To, err = momentOf(v, "to", zone, now); err != nil {
		return t, err
	}
	if t.Live = t.To.IsZero(); t.Live {
		t.To = now.UTC()
	}
	if t.From.IsZero() {
		length := usual
		if t.Span = v.Get("span"); t.Span != "" {
			if length, err = plant.ParseDuration(t.Span); err != nil {
				return t, badQuery("span: write it like 10m, 8h or 60d.")
			}
		}
		t.From = t.To.Add(-length)
	}
	if d := t.To.Sub(t.From); d < time.Second || d > maxSpan {
		return t, badQuery("from and to: give a span of 1 second to %d days, from before to.", maxSpan/(24*time.Hour))
	}
	return t, nil
}

// queryFault turns a *plant.QueryError into an answer with its words.
func queryFault(err error) error {
	if q, ok := errors.AsType[*plant.QueryError](err); ok {
		return badQuery("%s: %s.", q.Field, q.Problem)
	}
	return err
}
