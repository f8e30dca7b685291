package main

import (
	"github.com/jhump/protoreflect/v2/protoprint"
	_ "google.golang.org/genproto/googleapis/api/annotations"
	_ "google.golang.org/genproto/googleapis/rpc/errdetails"
	_ "google.golang.org/genproto/googleapis/rpc/status"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"
)

// printGoogleAPIs writes below dir the google/api and google/rpc files that
// the imports above link in, as .proto files without their comments.
func printGoogleAPIs(dir string) error {
	var files []protoreflect.FileDescriptor
	for _, pkg := range []protoreflect.FullName{"google.api", "google.rpc"} {
		protoregistry.GlobalFiles.RangeFilesByPackage(pkg, func(file protoreflect.FileDescriptor) bool {
			files = append(files, file)
			return true
		})
	}
	return new(protoprint.Printer).PrintProtosToFileSystem(files, dir)
}
