// Package console shows the boiling house to the people who run it: web pages,
// a live stream and a read-only HTTP API, all from immutable pictures that its
// [Backend] hands out.
//
// Pages are rendered on the server and readable with scripts off. With scripts
// on, one EventSource a page receives the parts that changed; a page whose
// stream falls silent says STALE within three seconds. The program advises: it
// is no safety system, and every page about an alarm says so.
//
// The only commands are those of package alerting (acknowledge, shelve and the
// like). Nothing here writes to the plant.
package console
