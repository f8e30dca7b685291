// Package link moves pieces between nodes and a hub over NATS. It knows nothing
// of what is in a piece: it carries bytes and says what became of them.
//
// Four things travel, each under one subject:
//
//	bothy.up.<replica>   node -> the hub's ledger   Push: a piece, acknowledged when it is synced
//	bothy.pull           node -> hub -> node        Pull: a request and its answer
//	bothy.bell.<site>    hub -> node                Bells: there is news for a site
//	bothy.bell.all       hub -> node                the same for every site
//
// The hub's ledger is one JetStream stream, [StreamName], over all of
// bothy.up. A [Hub] reads it in order ([Hub.Messages]); the place up to which it
// was read is the caller's to keep, never the broker's. There is no consumer per
// node: a node learns by asking. A bell carries nothing; who misses one learns
// the same at the next contact, for a [Client] rings itself whenever it has a
// new connection.
//
// A hub needs no other program: [StartBroker] runs the NATS server in the
// process, set so that an acknowledgement means synced to disk. With a server or
// cluster that is there already, [OpenHub] takes its address instead; whoever
// runs it must set sync_interval to always, which no client can see or ask for,
// and give each node's user no more than it needs: to publish on its own
// bothy.up.<replica> and on bothy.pull, to subscribe to bothy.bell.> and
// _INBOX.<replica>.>. A broker in the process does so for whom it admits.
//
// # A thin link
//
// A node connects as a plain client, without a leaf node, a consumer or a
// heartbeat of its own. What a connection is told of other servers is ignored,
// because the way to them may not be the way through the tunnel. Bytes on the
// wire as TCP payload, without TLS, of a node called "cabin 1" (BenchmarkBytes
// measures all but the last):
//
//	connect                    290 up     740 down
//	Push of p bytes        p + 106 up      68 down
//	 - without an id       p +  64 up      68 down
//	Pull, of q and a bytes q +  51 up  a + 49 down
//	bell of a site           0 up          36 down
//	idle, each 4 minutes     6 up           6 down
//
// To a connection a key adds 160 up and 70 down, and TLS 1.2 kB both ways
// together, or 3.6 kB with the post-quantum key share that Go uses by default. To
// a message TLS adds 22.
//
// # When the link is bad
//
// An error of Push means that the piece is not known to be stored; send it
// again, under the same id. A repetition within the hub's window is stored
// once, a later one twice, and neither does harm, because applying a change
// twice does none. Nothing waits in this package for a better link: the caller's
// own store is the queue.
//
// A connection that ends fails what is under way on it at once. A Push or Pull
// that heard nothing at all for twice [ClientConfig.Timeout] ends a connection
// that seems to stand, for a link that lost its way (a tunnel, a carrier that
// forgot the address) shows no other sign for many minutes. A client dials for
// as long as it is open, whatever the reason of a failure was, because a refused
// key may be admitted tomorrow and nobody is at the cabin to press a button.
package link
