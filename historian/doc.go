// Package historian keeps the plant's memory: the archive of every value (a log of
// checksummed segments for the last hours, Parquet files for the rest; docs/formats has
// a page for each file) and its trends. Package journal keeps the events, marks what
// was learned, series exports and imports, influx forwards.
//
// # Where a sample goes
//
// [Archive.Append] takes samples into memory; about once a second [Archive.Run]
// commits them to the log as one frame. A segment of the log that is full or
// older than Options.Hot becomes one immutable Parquet file a day in raw/, and
// later these are merged into files of a day and of a month. Every Parquet file is
// written under a temporary name, synced and renamed: a reader never sees half of one.
// One that replaces others names them in its footer: after a crash it is clear which
// counts.
//
// # Several values at one time
//
// The same time, value and status arriving twice (a replay, a backfill) is one
// sample. The same time with another value is kept too; the later arrival is
// primary, which is how a correction wins. Reads give the primary, marked with
// the ExtraData bit of OPC 10000-13, 5.3.3; [Archive.Versions] gives them all.
//
// # What is promised
//
// A sample is durable once [Archive.Flush] has returned nil after its Append,
// or once Run has committed it, about a second later. Nothing durable is lost
// by killing the process at any moment.
package historian
