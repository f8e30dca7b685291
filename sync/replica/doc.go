// Package replica is one copy of the data that writes: two ledgers, the view
// built from them, and one goroutine that owns all three.
//
//	own       the ledger of what this replica wrote, and under which id
//	received  the ledger of what it was sent by others (a node; a hub's is the
//	          JetStream stream)
//	view      Badger: everything joined and indexed; thrown away and built again
//	          from the ledgers whenever it is in doubt
//
// Writes of many callers are gathered into a batch: each runs on the newest
// state, the batch is appended to the ledger and synced once, the view takes it,
// and then each caller is told. Success means: in the ledger, synced.
//
// A replica's id stands in its own ledger. It takes a new one whenever its
// history may have gone back (a lost tail, an older copy put in its place, a
// cloned card), so that no dot is ever used for two changes. When the hub shows
// that somebody else has written under this id, the changes that fork are written
// again under a new id (fork.go).
//
// What travels is decided by package exchange; this package gives it the logs to
// read and keeps its cursors (session.go), and answers other replicas (serve.go).
package replica
