// Package rules reads the site's rule files and evaluates them: derived tags
// and the conditions of alarms, written in expr-lang.
//
// A [Set] is built by [Load] from named files and a [plant.House]. Everything
// that can be wrong with a rule is found then, with file, line, column and a
// caret: unknown tags, mixed units, unbounded expressions, alarms without a
// cause, a consequence or a response. Afterwards the owner of the frame calls
// [Set.Sample] for each sample and [Set.Scan] once a scan; a Set has no
// goroutine, clock or file and is not safe for concurrent use.
//
// # Quality
//
// A condition is split at and, or and not into comparisons. A comparison
// with a bad input is Unknown, and Kleene's logic joins the outcomes: an
// Unknown side decides nothing, but "false and unknown" is false and "true or
// unknown" is true. Not evaluated is neither true nor false.
//
// # Windows
//
// avg, min_over, max_over, std, delta and slope look back over a stated time.
// A value holds until the next one arrives, so the averages are weighted by
// time and do not depend on how often an instrument reports. The window is
// kept as 60 slices: its far edge is exact to 1/60 of its length. Time while
// the tag was bad does not count. With good values for less than half of the
// window its value is bad, with less than nine tenths, or with an uncertain
// value inside, it is uncertain; so a window survives a short gap of its
// instrument and says so. delta also needs a usable present value. Windows
// are not stored: after a restart they fill from the replayed samples.
// unchanged(tag) is the time since the tag last changed its value; until a
// change has been seen it is the least it can be, and uncertain.
//
// # Bounds
//
// An expression has at most 4 KiB of source and 200 nodes, uses only the
// operators and functions of this package, cannot loop, and so takes a
// bounded number of steps. It cannot reach anything but tags. Rules,
// windows and the length of windows are bounded too.
package rules
