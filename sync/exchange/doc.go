// Package exchange decides what two replicas send each other. It is a state
// machine with no disk, no network and no clock in it: what is stored is read
// through [Log], what goes over a link is a value, and time is an argument.
//
// There are two directions. In each, one side reads along the other side's lane
// logs and keeps a [Cursor]: a place in each lane, with a mark by which the
// owner of the log recognises its own history.
//
//   - [Push]: a node reads its own logs and sends what it finds to the hub. The
//     cursor moves when the hub's ledger has acknowledged a piece.
//   - [Pull]: a node asks the hub, which reads its logs from the cursor in the
//     request and answers with changes and the next cursor. A view that does not
//     know the cursor (it was rebuilt, or went back) says so, and the node sends
//     along what it has, so that only what it lacks is sent.
//
// [Next] fills one piece: strictly lane by lane, looked at afresh for every
// piece, so that a hazard waits for no more than the piece in flight. Cutting a
// link at any place loses nothing and at worst sends a piece again, which is
// harmless, because applying a change twice is.
//
// An answer also carries the hub's receipt: the number of the node's changes
// that the hub's own view holds, synced, joined or set aside as refused. A question
// says how many the node has written under its id, and whether it carries others
// that the hub may lack: only without such does the number say that the hub has
// all that the node has. A receipt that is less than an earlier
// one, or a view that does not know the node's cursor, means that the hub may have
// gone back; the node then asks what the hub has and offers it everything that it
// lacks, also what other replicas wrote.
package exchange
