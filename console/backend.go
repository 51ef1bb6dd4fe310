package console

import (
	"context"
	"time"

	"calandria/alerting"
	"calandria/plant"
)

// Backend is what the console needs from the program. All methods may be
// called by several goroutines at once.
type Backend interface {
	// House is the equipment and its tags; it never changes while the console
	// runs.
	House() *plant.House
	// Specs are the alarm definitions in force.
	Specs() []plant.AlarmSpec
	// Picture is the latest picture, nil before the first scan.
	Picture() *Picture
	// Changed returns a channel that is closed when there is a newer picture
	// than the one Picture returns now. Take the channel first, then the
	// picture, and none is missed.
	Changed() <-chan struct{}
	// Do carries out an operator's command; a refusal is an
	// *alerting.Refusal and has been journalled.
	Do(ctx context.Context, c alerting.Command) error
	// Trend reads the archive: at most points buckets of equal length between
	// from and to, each with its smallest and largest value, so that spikes
	// survive. Buckets without a value are left out.
	Trend(ctx context.Context, path string, from, to time.Time, points int) (Series, error)
	// Events reads the journal, newest first.
	Events(ctx context.Context, f EventFilter) ([]plant.Event, error)
}

// Picture is everything the pages show at one moment. It is never changed once
// handed out, nor is anything that it points to.
type Picture struct {
	At    time.Time    // when the loop made it, by the wall clock
	Seq   uint64       // journal number of the last event it contains
	Frame *plant.Frame // a copy of the loop's frame

	// Reasons says why a calculated value is absent, in words.
	Reasons map[plant.TagID]string
	// How says how a value was obtained where there is more to say than its
	// source: "balanced from flow and Brix", "assumed".
	How map[plant.TagID]string
	// Sigma is one standard deviation of a value in the tag's unit. Tags that
	// are not in it use the stated accuracy of their instrument.
	Sigma map[plant.TagID]float64

	Alarms  []alerting.Status
	Sources []SourceHealth
	Health  []HealthLine
	Strikes []Strike
}

// SourceHealth is the state of one data source, such as an OPC UA server.
type SourceHealth struct {
	Name      string
	Connected bool
	Since     time.Time // of the present state
	Text      string    // one line for a person, may be empty
}

// HealthLine is a fact about the program itself: archive, journal, forwarder.
type HealthLine struct {
	Name string
	OK   bool
	Text string
}

// Strike is the strike in progress in one pan, for the strike ribbon.
type Strike struct {
	Pan      string // path of the pan
	Started  time.Time
	Expected time.Duration // usual length; 0 takes the pan's configuration
	// Phases in order: those over, the present one, and those to come.
	Phases []StrikePhase
}

// StrikePhase is one phase of a strike. A phase to come has no Start, the
// present one no End.
type StrikePhase struct {
	Name       string
	Start, End time.Time
	Expected   time.Duration // usual length, 0 if not known
}

// Series is a stretch of one tag's history.
type Series struct {
	Path     string
	Unit     string
	From, To time.Time
	Buckets  []Bucket // in order of time
}

// Bucket sums up the values of one short time.
type Bucket struct {
	Time           time.Time // beginning
	Min, Max, Mean float64   // in the tag's unit
	// Doubt is set when a value in it was Uncertain or Bad.
	Doubt bool
}

// EventFilter selects journal entries. Zero fields select everything.
type EventFilter struct {
	After, Before uint64 // journal numbers, both exclusive
	From, To      time.Time
	Kinds         []plant.EventKind
	// Match is looked for, without regard to case, in alarm, source, user,
	// reason, comment and text.
	Match string
	Limit int // at most this many; the console always sets it
}
