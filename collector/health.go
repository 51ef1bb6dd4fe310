package collector

import (
	"time"

	"calandria/plant"
	"calandria/plant/words"
)

// State is where a client stands.
type State string

// States of a client.
const (
	Idle       State = "idle"       // Run has not been called
	Connecting State = "connecting" // no session yet, or the line is broken
	Connected  State = "connected"  // session and subscriptions work
	Stopped    State = "stopped"    // Run has returned
)

// Health is a picture of a client at one moment. It is never changed after it
// has been handed out; any goroutine may keep it.
type Health struct {
	Server   string
	Endpoint string
	State    State
	Since    time.Time // of State
	// Step is the rung of the ladder last tried while connecting.
	Step string
	// LastError says in plain words why the line is down, or was last.
	LastError string
	// Warnings are things to mend that do not stop the collection, such as a
	// certificate about to run out.
	Warnings []string

	// ServerState is ServerStatus.State: Running, Failed, Suspended ...; empty
	// while unknown.
	ServerState string
	// ServiceLevel is 0 to 255 (OPC 10000-4, 6.6.2.4.2), -1 while unknown.
	ServiceLevel  int
	ServerStarted time.Time // ServerStatus.StartTime
	SecurityMode  string    // in use
	User          string    // signed in with; empty is anonymous
	Subscriptions []SubscriptionHealth
	// Confirmed is when the server last vouched for all its values, with a sample
	// or by saying that there is none; zero while it does not.
	Confirmed       time.Time
	ClockSkew       time.Duration // server time less own time, median
	ClockSkewKnown  bool
	ClockDrift      float64 // of ClockSkew, s/s
	ClockDriftKnown bool
	// MisstampedTags have source times that cannot be true by our clock and are
	// judged by ours; Misstamped are the first of them, StampOffset the median of
	// how far they are ahead.
	MisstampedTags  int
	Misstamped      []Misstamp
	StampOffset     time.Duration
	CertificateEnds time.Time

	// Crashes counts the readers that ended on what the server sent (Remote).
	Crashes uint64
	// Gap says what is missing in the archive for good since the last stop.
	Gap string
	// Faults are tags that cannot be read as configured.
	Faults []TagFault
	// Tags is the number of tags configured, Active those being sampled.
	Tags, Active int
	// Stalled is the time since which the receiver has not taken a batch; zero
	// if it keeps up. While stalled nothing is asked of the server.
	Stalled time.Time

	Counters Counters
}

// Misstamp is a tag whose source times are ahead of our clock, or behind.
type Misstamp struct {
	Tag    plant.TagID
	Offset time.Duration
}

const misstampedShown = 10

// Connected reports whether values are flowing.
func (h *Health) Connected() bool { return h != nil && h.State == Connected }

// SubscriptionHealth is what a server granted for one publishing rate.
type SubscriptionHealth struct {
	Asked      time.Duration // publishing interval asked for
	Publishing time.Duration // publishing interval granted
	KeepAlive  time.Duration // longest silence of a working subscription
}

// TagFault is one tag that cannot be read as configured.
type TagFault struct {
	Tag     plant.TagID
	Path    string
	Node    string
	File    string
	Line    int
	Status  plant.Quality
	Problem string
	Fix     string
	Since   time.Time
}

// Error gives the fault in the form of plant.Fault.
func (f TagFault) Error() string {
	return plant.Fault{File: f.File, Line: f.Line, Field: f.Path, Problem: words.Verbatim(f.Problem), Fix: words.Verbatim(f.Fix)}.Error()
}

// Counters count since the client was made.
type Counters struct {
	Samples     uint64 // handed out, the Bad points of a loss included
	Batches     uint64 // handed out
	Messages    uint64 // notification messages with data
	Gaps        uint64 // holes in the sequence numbers
	Republished uint64 // messages fetched again to fill them
	Lost        uint64 // messages that could not be fetched again
	Overflows   uint64 // samples marked as following lost ones by the server's queue
	Unstored    uint64 // messages acknowledged although their samples were not stored in time
	Stalls      uint64 // times the receiver did not keep up
	Reconnects  uint64 // times a broken line came back
	Attempts    uint64 // connection attempts
	Reactivated uint64 // recoveries by the old session
	Transferred uint64 // recoveries by moved subscriptions
	Recreated   uint64 // recoveries by new subscriptions
	Backfilled  uint64 // samples read from the server's history
	Misstamped  uint64 // samples judged by our own clock because the source's is wrong
}
