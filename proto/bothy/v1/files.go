package bothyv1

import "google.golang.org/protobuf/reflect/protoreflect"

// Files are the descriptors of all files of this package: where the records,
// and the merge rule of each of their fields, are declared.
func Files() []protoreflect.FileDescriptor {
	return []protoreflect.FileDescriptor{
		File_bothy_v1_cabin_service_proto,
		File_bothy_v1_check_proto,
		File_bothy_v1_defect_proto,
		File_bothy_v1_merge_proto,
		File_bothy_v1_office_service_proto,
		File_bothy_v1_records_service_proto,
		File_bothy_v1_register_proto,
		File_bothy_v1_sheet_proto,
		File_bothy_v1_verdict_proto,
	}
}
