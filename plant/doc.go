// Package plant holds the rules of the trade: what a check of a machine must
// contain, what becomes of a defect, and what the records say of a machine.
//
// # The scheme
//
// A sheet lists the points that a plant operator looks at on one type of
// machine. A machine's options leave some of its points ([Applied]). A check is
// one sheet worked through: an answer for every point, accepted whole or
// refused with every fault named ([AcceptCheck]). An answer of DEFECT opens a
// defect or joins the open one at the same point ([Findings]).
//
// A defect ends by a chain and by nothing else: somebody reports it, a fitter
// certifies by name that it is mended (or a competent person that nothing need
// be), and the next check that looks at the point finds it in order. The chain
// is that of 49 CFR 396.11 and 396.13. A certificate covers nothing worse than
// the class that its signer saw, so a graver report that was made elsewhere
// meanwhile leaves the machine out of service ([ProgressOf]).
//
// Beside the defects stand holds: a person's order that a machine is out of
// service. [Verdict] reads all of it at one time and says what the records say,
// with the reason, what would clear it and the rule behind it.
//
// # What it is not
//
// The package decides nothing and never says that a machine is safe. It reads
// records. The maker's manual, local law, the competent person and the plant
// operator's own look come first.
//
// # How it is built
//
// The records are the messages of package bothyv1. Every function is pure: the
// time is an argument, nothing is read or kept, no argument is changed, and
// what is returned shares no memory with the arguments unless it says so.
// (Time zones come from [time.LoadLocation]; a program that must not depend on
// its host for them embeds time/tzdata.) A message that is wrong in any way,
// nil parts included, gives violations and never a panic.
//
// Where a value is not known (an enumeration number from a newer edition of the
// program, an unset class) it reads as the most cautious one.
//
// A plant operator is the person on the machine. The company that runs a quarry
// is called quarry operator, and does not occur here.
package plant
