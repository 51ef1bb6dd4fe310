package service

import (
	"strconv"

	"github.com/prometheus/client_golang/prometheus"
)

// edgeMetrics exports the counters that the edges keep themselves.
type edgeMetrics struct {
	s     *Service
	descs map[string]*prometheus.Desc
}

// EdgeCounters are the rows: name, help, and the label of what there may be
// several of.
var EdgeCounters = []struct {
	Name, help string
	label      string
}{
	{"calandria_opcua_samples_total", "Samples handed out by the client.", "server"},
	{"calandria_opcua_messages_total", "Notification messages with data.", "server"},
	{"calandria_opcua_gaps_total", "Holes in the sequence numbers of notifications.", "server"},
	{"calandria_opcua_republished_total", "Messages fetched again after a hole.", "server"},
	{"calandria_opcua_lost_total", "Messages that could not be fetched again.", "server"},
	{"calandria_opcua_overflows_total", "Samples marked as following lost ones by the server's queue.", "server"},
	{"calandria_opcua_reconnects_total", "Times a broken line came back.", "server"},
	{"calandria_opcua_stalls_total", "Times the program did not keep up with the server.", "server"},
	{"calandria_opcua_unstored_total", "Messages acknowledged although the disk had not taken their samples in ten seconds.", "server"},
	{"calandria_opcua_faulty_tags", "Tags that cannot be read as configured.", "server"},
	{"calandria_opcua_reader_crashes_total", "Times that the server sent what ended the process that reads it.", "server"},
	{"calandria_opcua_clock_skew_seconds", "Server time less own time, median.", "server"},
	{"calandria_opcua_clock_drift_ratio", "How the server's clock gains on ours, seconds a second.", "server"},
	{"calandria_opcua_misstamped_tags", "Tags whose source times cannot be true, judged as of their receipt.", "server"},
	{"calandria_opcua_misstamped_total", "Samples judged as of their receipt because their source time cannot be true.", "server"},
	{"calandria_opcua_stamp_offset_seconds", "Source time of these tags less own time, median.", "server"},
	{"calandria_heartbeat_last_success_timestamp_seconds", "When the program's last test signal that came through set out.", "stage"},
	{"calandria_heartbeat_delay_seconds", "How long the program's last test signal took to come through.", "stage"},
	{"calandria_archive_stored_total", "Samples committed to the archive.", ""},
	{"calandria_archive_pending", "Samples in memory, waiting for the disk.", ""},
	{"calandria_archive_refused_total", "Samples refused because the queue was full.", ""},
	{"calandria_archive_files", "Parquet files of the archive.", ""},
	{"calandria_journal_entries", "Number of the last journal entry.", ""},
	{"calandria_journal_anchor_line", "Number of the journal line that was signed and sent out last; with the hash it is what 'calandria verify --expect' takes.", ""},
	{"calandria_journal_anchor_hash", "First 12 hexadecimal digits of the hash of that line, as a number.", ""},
	{"calandria_journal_waiting", "Events in memory, waiting for the disk.", ""},
	{"calandria_notices_sent_total", "Notices delivered.", "notifier"},
	{"calandria_notices_failed_total", "Deliveries that failed and were tried again.", "notifier"},
	{"calandria_notices_refused_total", "Notices set aside because the receiver does not take them.", "notifier"},
	{"calandria_notices_dropped_total", "Notices given up because too many waited or they were too old.", "notifier"},
	{"calandria_notices_replaced_total", "Notices for which a newer one of the same alarm was sent.", "notifier"},
	{"calandria_notices_waiting", "Notices waiting to be delivered.", "notifier"},
}

func NewEdgeMetrics(s *Service) *edgeMetrics {
	m := &edgeMetrics{s: s, descs: map[string]*prometheus.Desc{}}
	for _, c := range EdgeCounters {
		var labels []string
		if c.label != "" {
			labels = []string{c.label}
		}
		m.descs[c.Name] = prometheus.NewDesc(c.Name, c.help, labels, nil)
	}
	return m
}

func (m *edgeMetrics) Describe(ch chan<- *prometheus.Desc) {
	for _, d := range m.descs {
		ch <- d
	}
}

func (m *edgeMetrics) Collect(ch chan<- prometheus.Metric) {
	count := func(name string, v uint64, labels ...string) {
		ch <- prometheus.MustNewConstMetric(m.descs[name], prometheus.CounterValue, float64(v), labels...)
	}
	gauge := func(name string, v float64, labels ...string) {
		ch <- prometheus.MustNewConstMetric(m.descs[name], prometheus.GaugeValue, v, labels...)
	}
	for _, src := range m.s.Sources {
		h := src.Health()
		c := &h.Counters
		count("calandria_opcua_samples_total", c.Samples, h.Server)
		count("calandria_opcua_messages_total", c.Messages, h.Server)
		count("calandria_opcua_gaps_total", c.Gaps, h.Server)
		count("calandria_opcua_republished_total", c.Republished, h.Server)
		count("calandria_opcua_lost_total", c.Lost, h.Server)
		count("calandria_opcua_overflows_total", c.Overflows, h.Server)
		count("calandria_opcua_reconnects_total", c.Reconnects, h.Server)
		count("calandria_opcua_reader_crashes_total", h.Crashes, h.Server)
		count("calandria_opcua_stalls_total", c.Stalls, h.Server)
		count("calandria_opcua_unstored_total", c.Unstored, h.Server)
		gauge("calandria_opcua_faulty_tags", float64(len(h.Faults)), h.Server)
		if h.ClockSkewKnown {
			gauge("calandria_opcua_clock_skew_seconds", h.ClockSkew.Seconds(), h.Server)
		}
		if h.ClockDriftKnown {
			gauge("calandria_opcua_clock_drift_ratio", h.ClockDrift, h.Server)
		}
		gauge("calandria_opcua_misstamped_tags", float64(h.MisstampedTags), h.Server)
		count("calandria_opcua_misstamped_total", c.Misstamped, h.Server)
		gauge("calandria_opcua_stamp_offset_seconds", h.StampOffset.Seconds(), h.Server)
	}
	if p := m.s.Loop.Picture(); p != nil {
		for _, x := range p.Stages {
			gauge("calandria_heartbeat_last_success_timestamp_seconds", float64(x.Sent.UnixMilli())/1000, x.Name)
			gauge("calandria_heartbeat_delay_seconds", x.Delay.Seconds(), x.Name)
		}
	}
	a := m.s.Archive.Health()
	count("calandria_archive_stored_total", a.Stored)
	gauge("calandria_archive_pending", float64(a.Pending))
	count("calandria_archive_refused_total", a.Refused)
	gauge("calandria_archive_files", float64(a.Files))
	j := m.s.committer.Health()
	if p := m.s.Loop.Picture(); p != nil {
		gauge("calandria_journal_entries", float64(p.Seq))
	}
	gauge("calandria_journal_waiting", float64(j.Waiting))
	if x := m.s.Anchors.last.Load(); x != nil && x.Seq > 0 {
		gauge("calandria_journal_anchor_line", float64(x.Seq))
		if n, err := strconv.ParseUint(x.Hash[:12], 16, 64); err == nil {
			gauge("calandria_journal_anchor_hash", float64(n))
		}
	}
	for _, n := range m.s.Notifiers {
		h := n.Health()
		count("calandria_notices_sent_total", h.Sent, h.Name)
		count("calandria_notices_failed_total", h.Failed, h.Name)
		count("calandria_notices_refused_total", h.SetAside, h.Name)
		count("calandria_notices_dropped_total", h.Dropped, h.Name)
		count("calandria_notices_replaced_total", h.Replaced, h.Name)
		gauge("calandria_notices_waiting", float64(h.Queued), h.Name)
	}
}
