// Package engine puts the arithmetic of the program together and runs it.
//
// [Core] is the frame, the quantities, the rules and the alarms: samples and
// moments in, values and events out. It has no clock, goroutine, file or
// socket. [Core.Save] and [Core.Restore] keep everything it has learned.
// [Core.Follow] runs it through the archive; a start, a recalculation and the
// scenarios go that way, and [Backtest] and [Trial] with it.
//
// [Loop] is the edge of the package: the one goroutine that owns the Core of the
// running program. Everybody else sends it messages and gets immutable
// [Picture] values.
package engine
