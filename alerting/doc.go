// Package alerting runs the alarms of one boiling house: the life cycle of
// ISA-18.2 and IEC 62682 with the semantics of OPC 10000-9, shelving,
// suppression, first-up groups, reminders, and the measures of how the alarm
// system itself performs.
//
// # The state model
//
// One alarm is a handful of independent facts: whether its condition is active
// (after deadband and delays), acknowledged, confirmed, latched, shelved,
// suppressed by design and by which logic, out of service. From them follows
// the one state an operator sees, out of service before suppressed before
// shelved before the rest:
//
//	              condition true            acknowledge
//	   NORM ---------------------> UNACK ---------------> ACKED
//	    ^  ^                       |   ^ <--- reminder --- |
//	    |  |             condition |   | condition true    | condition false
//	    |  |                 false v   |                   v
//	    |  +------ acknowledge --- RTNUN              NORM, or LTACK
//	    |                                             of a latching alarm
//	    +-- reset -- LTACK <-- acknowledge -- LTUNK (UNACK, latching, and gone)
//
//	any of these -- shelve --> SHLVD, -- suppress --> DSUPR, -- remove --> OOSRV;
//	when the last one ends: UNACK if the condition is active, else NORM
//	(LTUNK or LTACK if a latch holds).
//
// Every transition, refusal and record is a line of the table in state.go; the
// engine takes the first line that fits, and nothing else changes a state. The
// rules that the standards leave open have R-numbers and are listed in
// RULES.md. Hiding an alarm changes who is called, never the evaluation of its
// condition nor the journal.
//
// # Use
//
// [New] makes an [Engine] from specifications. Its owner calls [Engine.Feed]
// with what each condition says, [Engine.Advance] at [Engine.NextDue],
// [Engine.Do] for commands and [Engine.SuppressWhile] for plant states; then
// takes the events with [Engine.Drain], stores them and [Engine.Save], and
// only then shows [Engine.Snapshot]. The engine has no clock: the same calls
// give the same events. [ReplayCases] runs files of test cases through it.
// [Measure] and [Meter] compute the performance of the alarm system from the
// journal.
//
// The program advises; it is no safety system, and no alarm here replaces an
// interlock, a relief device or the site's own procedures.
package alerting
