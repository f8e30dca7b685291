// Package ledger is the append-only file that is a replica's truth.
//
// It keeps opaque frames, numbered from 1 without a gap; what is in them is the
// owner's business. A frame that Append has returned for is on disk. The file is
// read from its start or any number, verified from end to end at every Open, and
// knows what it has lost.
//
// # Files
//
// A ledger is a directory that one process holds open:
//
//	00000000000000000001.led   segments, named by the number of their first frame
//	00000000000000002417.led
//	head                       what is remembered apart from the segments
//	lock                       held with flock; stays when the process is gone
//	damaged-2417-1             a file as it was before it was written again
//
// Frames are appended to the last segment until it is full (Options), then a new one
// begins. A file that ends in .tmp was not finished, and is removed by Open. All
// numbers in the files are big-endian. CRC means CRC-32C (Castagnoli, RFC 3720
// appendix B.4), hash SHA-256.
//
// A segment is a header and frames, with no byte between them:
//
//	header, 68 bytes
//	 0   7  "bothy-L"
//	 7   1  format version, 1
//	 8  16  ledger id, random
//	24   8  number of the segment's first frame
//	32  32  chain hash before that frame, zero where it is not known
//	64   4  CRC of bytes 0 to 63
//
//	frame, 16 bytes and its payload
//	 0   4  length of the payload, 1 to 4 MiB; the highest bit is set on the
//	        first frame of a write
//	 4   4  CRC of the ledger id, bytes 0 to 3 and bytes 8 to the end
//	 8   8  number
//	16   n  payload
//
// The ledger id goes into every frame's CRC, so that a frame of another ledger is
// none of this one. The chain hash of frame n is hash(chain hash of n-1, payload of
// n), that of frame 0 is the hash of the ledger id. It is not kept by frame, but in
// the headers and the head.
//
// The head has two slots, at 0 and 4096 of its 8192 bytes, written in turn, so that
// a torn write spoils one of them only:
//
//	slot, 104 bytes
//	  0   7  "bothy-H"
//	  7   1  format version, 1
//	  8  16  ledger id
//	 24   8  counter of the head's writes; its lowest bit is the slot
//	 32   8  number of the newest synced frame
//	 40   8  pledged: number of the newest frame that others may have seen
//	 48   8  dropped: number of the newest frame that was dropped
//	 56   8  newest frame when the owner last settled
//	 64  32  chain hash at the newest synced frame, zero where it is not known
//	 96   4  flags; 1: the ledger may have gone back and this is not settled
//	100   4  CRC of bytes 0 to 99
//
// The kind, the version byte and a CRC at the end of the 68 or 104 bytes stay where
// they are in later versions, so that a file of a later version is refused and not
// taken for damage.
//
// # Writing
//
// One write appends the frames of one or more calls of Append and syncs the segment
// once. After that the newer head is written, but not synced: a killed process
// leaves it, a power cut may leave an older one. Pledge, Drop, Settle, Close and
// Open sync it. So the head on disk never names a frame that is not on disk.
//
// The first write or sync that fails ends the ledger's work (ErrBroken): after a
// failed sync nobody knows what is on disk. Only a full disk is forgiven, where
// what was written could be taken back (ErrFull).
//
// # What was synced
//
// A write begins only when the one before it is synced. So every frame before a
// frame with the first bit was synced, and so was every frame that the head names,
// and every frame before the last segment. A frame that was synced and cannot be
// read is damage; Open reports it and nothing is cut. What is behind that, in the
// last write, was perhaps never acknowledged: Open keeps its whole frames up to the
// first that is torn, and cuts the rest off as a TornTail. Only where a power cut
// took the newest head, too, may damage to the very last write be taken for a torn
// one.
//
// # Loss
//
// Open never makes a number available again that the head knows: where the files
// end before it (WentBack), the frames between are missing and the next frame goes
// behind them. Missing frames are reported, skipped by Read with a MissingError,
// and can be put back with Restore. A segment that lacks frames is not appended to,
// and is not changed until it is whole again; the damaged file is then kept under
// another name.
//
// Where numbers behind the end may have been used already, by frames that are not
// here, Report.MayHaveGoneBack says so; an owner that numbers things of its own by
// what is in the ledger must then go on under a new name. The report comes again at
// every Open until Settle.
//
// A directory that was restored as a whole from an older copy is in order in itself.
// That it went back is seen only by those who saw the newer one.
//
// The package needs flock and directories that can be synced, as on Linux and other
// Unix systems, and a file system with hard links.
package ledger
