// Package strictjson looks at the JSON of a request before it is turned into a
// message, so that nothing in it is dropped, guessed or taken for something else.
//
// The decoders below (encoding/json, then protojson) make a message of much that
// its sender cannot have meant: a second value after the first, a misspelt name
// of an enumeration under a lenient decoder, a name of a number that is none.
// Where a record decides whether a machine may be used, a request that is partly
// understood is worse than one that is refused. [Check] reads the whole text
// against the descriptor of the message and names every field that is wrong:
//
//   - The text is one JSON object (RFC 8259) in UTF-8, without a byte order mark
//     and nested no deeper than [DepthMax].
//   - Every name is that of a field, in lowerCamelCase or as in the .proto file,
//     and no field is given twice.
//   - Every value is of its field's type. A number may be written as a string,
//     as protojson has it for 64 bits; it is finite and fits. An enumeration is
//     given by name, never by number: a number would carry a word that this
//     version does not know past every check.
//   - A text holds no control characters but line feed and tab, and no half of
//     a surrogate pair.
//   - null leaves a field unset; in a list it is refused.
//
// What Check accepts, protojson accepts as well, with one exception: two members
// of one oneof. Times, and all other messages of the package google.protobuf, are
// read by protojson itself.
package strictjson
