// Package collector reads the plant over OPC UA. It only ever reads: the
// package has no code path to the services that change a server (see
// TestReadOnly).
//
// A [Client] watches one server. It drives sessions and subscriptions itself on
// the channel and codec of gopcua, because what it promises needs the sequence
// numbers of the notifications: nothing the server still holds is lost over a
// broken line, what is lost is counted and shows as Bad_DataLost, and a sample
// never comes twice. The letters and numbers in comments (A1, D5 ...) group what
// OPC 10000-4 asks of a client; DEVELOPERS.md has what the letters stand for.
//
// The way back after a loss is a ladder, tried from the top:
//
//	reactivate   new channel, the old session: the server kept everything (D1)
//	new session  the server forgot the session (D3)
//	transfer     move the subscriptions to the new session (D4)
//	republish    fetch the messages missed, in order (D5)
//	recreate     subscriptions and items made anew (D6)
//
// A start climbs it too: what a client has at its server is on the disk (kept.go).
//
// From the moment a loss is noticed all tags of the server are
// Bad_NoCommunication (D7). Values come back with their own times; a value that
// did not change meanwhile is stated again at the time it was read back.
package collector
