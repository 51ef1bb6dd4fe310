// Package alerting runs the alarms of one boiling house: the life cycle of
// ISA-18.2 and IEC 62682 with the semantics of OPC 10000-9, shelving,
// suppression, first-up groups, reminders, and the measures of how the alarm
// system itself performs.
package alerting
