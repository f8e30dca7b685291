// Package gate is the edge of a server: what stands between a network and the
// services of package bothyv1, at a node and at a hub alike.
//
// A gate has two listeners. One speaks gRPC. The other speaks HTTP: below /v1
// the JSON form of the same services, by the routes that the .proto files
// declare; /openapi.json, their description; /healthz; and on every other path
// the pages of its owner. Both end in one gRPC server, because the JSON form
// calls it over a connection in memory, so that a call passes the same guards
// whichever way it came:
//
//	HTTP --> limits --> strict JSON --> gateway --+
//	                                              +--> person, deadline, faults --> service
//	gRPC --> limits ------------------------------+
//
// Who acts is what the metadata key bothy-person or the header Bothy-Person
// says; a service asks package caller for it. Of the other headers of an HTTP
// request only Authorization and X-Forwarded-* reach a service, and nothing here
// trusts them.
//
// # Errors
//
// What a service returns leaves as a package fault: a fault as it is, anything
// else, a panic too, as INTERNAL without its text, which is logged. Over HTTP an
// error is a google.rpc.Status in JSON, under the status that google/rpc/code.proto
// gives its code. FAILED_PRECONDITION is therefore 400; 412 is for a request with
// If-Match, which nothing here can honour: records carry their etag inside. Where
// HTTP has a narrower word it is used: 405 with Allow, 408, 413 and 415.
//
// # JSON
//
// Requests are read by package strictjson: nothing in them is dropped. That holds
// for the query as well, and for fields that the path gives already. Answers have
// names in lowerCamelCase and enumerations by name. A list, a text, a number, a
// flag and an enumeration are always there, be they empty; a message, a time or
// an optional number that is not set is left out, not null, because a client that
// is made from the OpenAPI document expects either the thing or nothing.
//
// A PATCH writes the fields that its body names, null clears one, and the query
// parameter updateMask may say otherwise (AIP-134).
//
// # What the network may see
//
// Reflection and health are on: they tell no more than /openapi.json does, which
// is public. Profiles, metrics and other insides are not served here.
package gate
