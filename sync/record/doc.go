// Package record is the algebra of what replicas exchange.
//
// A [Record] is a set of fields under a [Key]. Each field is a multi-value
// register: it holds every [Version] that no later write replaced, usually
// one. All fields of a record share one causal context, Seen: the dots of the
// changes whose effect the record holds in full.
//
// A [Change] is one atomic write to one record: some fields, and for each the
// dots that the writer had seen in it and so replaces. Seen as a [Record] of
// its own (its delta), a change merges into a record by the same function by
// which two whole records merge: [Join], which is commutative, associative and
// idempotent. Order, loss with repetition, and duplication on the way do not
// matter. This is the delta-state design of Almeida, Shoker and Baquero (arXiv
// 1410.2803, 1603.01529) with one refinement. A change writes several fields
// under one dot, and a later one may replace it in some of them only, so that
// "this dot is known, and gone" is a statement about a field, not about the
// record. A field's own context is therefore Seen together with Gone: dots that
// were replaced in this field by a change that is here, while the change that
// wrote them is not here yet. Gone is empty whenever changes arrive in causal
// order.
//
// A value is the protobuf encoding of a message that has only this field set,
// so that the values of a record, put one behind the other, are the record's
// message; fields that this program does not know survive untouched. An empty
// value says that the field was cleared.
//
// Which version a field reads as while it has several, and nothing else, is
// the business of the merge rule declared on the field ([Schema]). No rule
// discards a version. A later write that saw a value replaces it whatever the
// clocks say.
//
// Records, changes and pieces (many changes as one compressed block) have one
// binary form each, with a version in front.
package record
