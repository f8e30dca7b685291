// Package clock holds the values by which replicas tell what came after what.
//
// Three kinds of value answer three questions:
//
//   - A [Dot] names one change to one record: the n-th that a replica made to
//     it. A [Context] is a set of dots. Together they say what a writer had
//     seen, and so decide which value replaces which. No wall clock takes part.
//   - A [Hybrid] time (Kulkarni, Demirbas, Madappa, Avva, Leone: Logical
//     Physical Clocks, OPODIS 2014) orders changes that were made without
//     knowledge of each other, and tells people when they were made.
//   - An [Ahead] says how far the writer's clock was known to run ahead of the
//     hub's, so that a time can be read with the trust that it deserves.
//
// All of them are values: a method returns a fresh one and never changes or
// aliases its receiver.
package clock
