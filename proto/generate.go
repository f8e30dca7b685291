// Package proto is the home of bothy's public API and of the records that
// replicas exchange: bothy/v1/*.proto say what they are, and, on each field,
// how it reads while two people have written it.
//
// The Go beside them and openapi/bothy.openapi.json are made from them by go
// generate. They are committed, so that nobody needs the generators who does
// not change a .proto file; a test here fails when they lag behind. What is
// checked about the .proto files themselves is in tools/buf.yaml.
package proto

//go:generate go -C ../tools run . generate
