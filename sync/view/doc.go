// Package view keeps one replica's view of the mesh in a Badger key space: the
// joined records, every change that they were joined from, the lists by which
// records are found, the log of each lane, and the owner's own small state.
//
// A view is never the truth. The ledgers are, and a view can be thrown away and
// built again from them. So it has two duties: to be quick, and never to be
// wrong without saying so. Badger alone does not promise the second. One damaged
// byte can make it drop rows, end a walk early or give an empty value, each
// without an error. What stands against that:
//
//   - Every value is in an envelope with its length and a checksum over its key
//     and itself. An empty value is damage, never a row.
//   - Rows are counted, by prefix and kind, in the transaction that writes them.
//   - Everything that is derived (records, lists, history) can be worked out
//     from the changes, and the changes of a replica form a hash chain.
//   - [Examine] walks all rows once and compares. It is run before a view is
//     opened, in a child process ([ExamineInChild]), because Badger meets damage
//     with a panic in a goroutine of its own.
//   - Walks that know where they must end, end there or fail.
//
// All keys are laid out in keys.go, and the values under them in rows.go.
//
// # Changes and records
//
// [Tx.Apply] takes a change from anywhere, in any order, any number of times.
// It stores the change under (replica, seq), joins its delta into its record,
// and notes it in the record's history, which is in order of hybrid time. What
// is held of each replica is kept as ranges of seq; over the range that starts
// at 1 runs the chain
//
//	h(0) = SHA-256(replica id, 8 bytes)
//	h(n) = SHA-256(h(n-1) || the n-th change's canonical bytes)
//
// # Lanes
//
// Each lane has a log of its own: positions 1, 2, 3 ..., each with a rolling
// mark that depends on all entries up to it. A cursor of view id, position and
// mark can so be told from the cursor of another history. A change is logged in
// its own lane. Changes of the same record that so far wait only in less urgent
// lanes ride along: they are logged just before it, so that an urgent change
// does not arrive without what it builds on.
//
// # Interest
//
// A replica that serves some sites needs the records of those sites: of a kind
// that has no site field, all; of one that has, those that name one of the
// sites, and those that follow a record which now has its home there. When that
// home changes, the latest records that follow it are logged again, so that the
// new site hears of them.
package view
