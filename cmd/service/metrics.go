package service

import (
	"cmp"
	"fmt"
	"regexp"
	"slices"
	"strings"

	"github.com/prometheus/client_golang/prometheus"

	"calandria/engine"
	"calandria/historian/series"
	"calandria/plant"
)

// metricUnit maps a dimension to an SI unit without prefix: the suffix of the name
// and the factor from the canonical unit. Mass is in kilograms, as engineers know it;
// Prometheus' own habit would be grams.
var metricUnit = map[plant.Dimension]struct {
	suffix string
	scale  float64
}{
	plant.Pressure:       {"pascals", 1e3},
	plant.PressureDiff:   {"pascals", 1e3},
	plant.Temperature:    {"celsius", 1},
	plant.TempDifference: {"kelvin", 1},
	plant.MassFlow:       {"kilograms_per_second", 1 / 3.6},
	plant.VolumeFlow:     {"cubic_meters_per_second", 1. / 3600},
	plant.BrixDim:        {"ratio", 0.01},
	plant.Percent:        {"ratio", 0.01},
	plant.Level:          {"ratio", 0.01},
	plant.Conductivity:   {"siemens_per_meter", 1e-4},
	plant.Power:          {"watts", 1e3},
	plant.HeatTransfer:   {"watts_per_square_meter_kelvin", 1e3},
	plant.ThermalResist:  {"square_meter_kelvin_per_watt", 1e-3},
	plant.SpecificEvap:   {"kilograms_per_square_meter_second", 1. / 3600},
	plant.Velocity:       {"meters_per_second", 1},
	plant.Ratio:          {"ratio", 1},
	plant.Current:        {"amperes", 1},
	plant.Density:        {"kilograms_per_cubic_meter", 1},
	plant.Duration:       {"seconds", 1},
	plant.Days:           {"seconds", 86400},
	plant.State:          {"", 1},
	plant.Mass:           {"kilograms", 1e3},
	plant.AnyDimension:   {"", 1},
}

// plantMetrics exports the picture's values. One collector makes them all at
// the moment of the scrape, so that nothing stale is exported: a tag without a
// usable value has no sample, and its quality says why.
type plantMetrics struct {
	house   *plant.House // whose tags it describes
	picture func() *engine.Picture
	descs   []tagMetric // indexed by TagID
	quality *prometheus.Desc
	time    *prometheus.Desc
	alarms  *prometheus.Desc
	alarm   *prometheus.Desc
	source  *prometheus.Desc
}

type tagMetric struct {
	desc   *prometheus.Desc
	labels []string
	scale  float64
}

// MetricLabels are the labels of a class of equipment, outermost first.
var MetricLabels = map[plant.Class][]string{
	plant.ClassSet:       {"set"},
	plant.ClassBody:      {"set", "body"},
	plant.ClassBleed:     {"set", "body", "bleed"},
	plant.ClassCondenser: {"condenser"},
	plant.ClassPan:       {"pan"},

	plant.ClassCompartment: {"pan", "compartment"},
}

// serverTag finds the tags of which each server has its own (engine.ServerTag, ClockTag).
var serverTag = regexp.MustCompile(`^server_(.+)_(?:connected|clock_offset)$`)

// MetricName gives name, labels and label values of a tag's metric.
func MetricName(t *plant.Tag) (name string, labels, values []string) {
	parts := []string{"calandria"}
	switch t.Class {
	case plant.ClassSystem:
	case plant.ClassSite:
		parts = append(parts, "site")
	default:
		parts = append(parts, string(t.Class))
	}
	parts = append(parts, strings.TrimSuffix(strings.ToLower(t.Name), "_pct"))
	if u := metricUnit[t.Dimension].suffix; u != "" && !strings.HasSuffix(t.Name, u) {
		parts = append(parts, u)
	}
	if m := serverTag.FindStringSubmatch(t.Name); t.Class == plant.ClassSystem && m != nil {
		return strings.Replace(strings.Join(parts, "_"), strings.ToLower(m[1])+"_", "", 1), []string{"server"}, m[1:2]
	}
	if labels = MetricLabels[t.Class]; len(labels) > 0 {
		values = strings.Split(t.Owner, ".")
	}
	return strings.Join(parts, "_"), labels, values
}

// MetricsOf names the metrics of tags for an export.
func MetricsOf(h *plant.House, paths []string) (func(path string) series.Metric, error) {
	for _, p := range paths {
		if _, ok := h.Find(p); !ok {
			return nil, fmt.Errorf("%s is in the archive but not in the plant file, so it has no metric; leave it out", p)
		}
	}
	return func(path string) series.Metric {
		t, _ := h.Find(path)
		name, labels, values := MetricName(t)
		return series.Metric{Name: name, Help: helpOf(h, t), Labels: append([]string{"site"}, labels...), Values: append([]string{h.Config.Site.Name}, values...), Scale: metricUnit[t.Dimension].scale}
	}, nil
}

// percents and seconds are what meanings say of a unit that the metric does not have.
var (
	percents = strings.NewReplacer(", %", "", " % on ", " on ", "% ", "", " %", "", ": scale from some +15 on", "", ": scale in the calandria from some -20 on", "")
	seconds  = strings.NewReplacer("days until", "time until", "days since", "time since", ", s;", ";")
)

// helpOf is what a metric means, of whatever equipment, and its unit.
func helpOf(h *plant.House, t *plant.Tag) string {
	text := cmp.Or(t.Meaning.String(), "signal "+t.Name)
	if t.Source == plant.Measured && t.Class != plant.ClassSite {
		for _, s := range plant.Signals { // the plant file may say more, of one piece only
			if s.Class == t.Class && s.Name == t.Name {
				text = s.Meaning.String()
			}
		}
	}
	if e, ok := h.Equip(t.Owner); ok && e.Title != "" {
		text = strings.ReplaceAll(text, e.Title, "the "+string(t.Class))
	}
	if _, labels, values := MetricName(t); slices.Equal(labels, []string{"server"}) {
		text = strings.Replace(text, "OPC UA server "+values[0], "the OPC UA server", 1)
	}
	unit := metricUnit[t.Dimension].suffix
	switch unit {
	case "":
		unit = "."
	case "ratio":
		text, unit = percents.Replace(text), ", as a ratio: 1 is the whole."
	default:
		text, unit = strings.TrimSuffix(seconds.Replace(text), ", s"), ", in "+strings.ReplaceAll(unit, "_", " ")+"."
	}
	return strings.ToUpper(text[:1]) + text[1:] + unit
}

// NewHelp is what each metric means. Where the vessels have different words for it,
// it is what all have in common.
func NewHelp(h *plant.House) map[string]string {
	help := map[string]string{}
	for i := range h.Tags {
		t := &h.Tags[i]
		name, _, _ := MetricName(t)
		switch text, known := helpOf(h, t), help[name]; known {
		case "":
			help[name] = text
		case text:
		default:
			of := *t
			of.Meaning, of.Source = "", plant.Derived
			help[name] = helpOf(h, &of)
		}
	}
	return help
}

func NewPlantMetrics(h *plant.House, picture func() *engine.Picture) *plantMetrics {
	m := &plantMetrics{house: h, picture: picture,
		quality: prometheus.NewDesc("calandria_tag_quality_code", "OPC UA status code of the tag's present value.", []string{"tag"}, nil),
		time:    prometheus.NewDesc("calandria_tag_source_time_seconds", "Source time of the tag's present value, in seconds since 1970.", []string{"tag"}, nil),
		alarms:  prometheus.NewDesc("calandria_alarms", "Number of alarms by state and priority.", []string{"state", "priority"}, nil),
		alarm:   prometheus.NewDesc("calandria_alarm_active", "1 while the alarm's condition holds, after deadband and delays.", []string{"alarm", "priority"}, nil),
		source:  prometheus.NewDesc("calandria_source_connected", "1 while the data source is connected.", []string{"source"}, nil),
	}
	help := NewHelp(h)
	for i := range h.Tags {
		t := &h.Tags[i]
		name, labels, values := MetricName(t)
		m.descs = append(m.descs, tagMetric{desc: prometheus.NewDesc(name, help[name], labels, nil), labels: values, scale: metricUnit[t.Dimension].scale})
	}
	return m
}

func (m *plantMetrics) Describe(ch chan<- *prometheus.Desc) {
	seen := map[string]bool{}
	for _, d := range m.descs {
		if s := d.desc.String(); !seen[s] {
			seen[s] = true
			ch <- d.desc
		}
	}
	for _, d := range []*prometheus.Desc{m.quality, m.time, m.alarms, m.alarm, m.source} {
		ch <- d
	}
}

func (m *plantMetrics) Collect(ch chan<- prometheus.Metric) {
	s := m.picture()
	if s == nil {
		return
	}
	gauge := func(d *prometheus.Desc, v float64, labels ...string) {
		ch <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, v, labels...)
	}
	for id, p := range s.Frame.Points {
		if s.House != m.house {
			break // a reload is under way: another collector takes over
		}
		d := m.descs[id]
		tag := s.House.Tags[id].Path
		gauge(m.quality, float64(p.Quality.Code()), tag)
		if !p.Quality.Seen() {
			continue
		}
		gauge(m.time, float64(p.Time.UnixMilli())/1e3, tag)
		if p.Usable() {
			gauge(d.desc, p.Value*d.scale, d.labels...)
		}
	}
	type key struct{ state, priority string }
	count := map[key]int{}
	for i := range s.Alarms {
		a := &s.Alarms[i]
		count[key{a.Code, a.Spec.Priority.String()}]++
		gauge(m.alarm, plant.Flag(a.Active), a.Name, a.Spec.Priority.String())
	}
	for k, n := range count {
		gauge(m.alarms, float64(n), k.state, k.priority)
	}
	for _, src := range s.Sources {
		gauge(m.source, plant.Flag(src.Connected), src.Name)
	}
}

// LoopCounts are the counters of the loop.
func LoopCounts(r prometheus.Registerer) engine.Counts {
	counter := func(name, help string) prometheus.Counter {
		c := prometheus.NewCounter(prometheus.CounterOpts{Name: name, Help: help})
		r.MustRegister(c)
		return c
	}
	histogram := func(name, help string, buckets ...float64) prometheus.Observer {
		h := prometheus.NewHistogram(prometheus.HistogramOpts{Name: name, Help: help, Buckets: buckets})
		r.MustRegister(h)
		return h
	}
	return engine.Counts{
		Samples:  counter("calandria_samples_total", "Samples received from all servers."),
		Late:     counter("calandria_samples_late_total", "Samples older than the newest of their tag: archived, not evaluated."),
		Future:   counter("calandria_samples_future_total", "Samples whose source time lay in the future: archived, their tag is Bad_InvalidTimestamp."),
		Events:   counter("calandria_events_total", "Events journalled."),
		Overruns: counter("calandria_scans_overrun_total", "Scans that took longer than the scan interval."),
		Refused:  counter("calandria_samples_refused_total", "Samples that the archive could not take."),
		ScanSeconds: histogram("calandria_scan_duration_seconds", "Time of one scan: quantities, rules, alarms.",
			.0001, .00025, .0005, .001, .0025, .005, .01, .025, .05, .1, .5, 1),
		JournalSeconds: histogram("calandria_change_to_journal_seconds", "Time from the arrival of samples, or a scan, to the durable journal entry of the events it led to.",
			.001, .0025, .005, .01, .02, .05, .1, .2, .5, 1, 5),
	}
}
