// Package openapi carries the description of the JSON API in the words of the
// OpenAPI Specification 3.1. It is made from the .proto files by go generate;
// what it says of the API as a whole is written in tools/openapi.json.
package openapi

import _ "embed"

// Document is the description, in JSON.
//
//go:embed bothy.openapi.json
var Document []byte
