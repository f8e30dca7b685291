package view

import (
	"encoding/binary"
	"hash/crc32"
)

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// seal puts a row's bytes in their envelope: length (unsigned varint), CRC-32C
// (4 bytes, big-endian) over the key and the bytes, the bytes. The key is part of
// the sum so that no value is taken for another's.
func seal(key, row []byte) []byte {
	b := make([]byte, 0, binary.MaxVarintLen32+4+len(row))
	b = binary.AppendUvarint(b, uint64(len(row)))
	b = binary.BigEndian.AppendUint32(b, checksum(key, row))
	return append(b, row...)
}

// unseal gives the row's bytes, which share the value's memory.
func unseal(key, value []byte) ([]byte, error) {
	if len(value) == 0 {
		return nil, damagedRow(key, "empty value")
	}
	size, n := binary.Uvarint(value)
	if n <= 0 || len(value) < n+4 || uint64(len(value)-n-4) != size {
		return nil, damagedRow(key, "%d bytes do not have the length that they name", len(value))
	}
	row := value[n+4:]
	if binary.BigEndian.Uint32(value[n:]) != checksum(key, row) {
		return nil, damagedRow(key, "checksum does not fit")
	}
	return row, nil
}

func checksum(key, row []byte) uint32 {
	return crc32.Update(crc32.Checksum(key, castagnoli), castagnoli, row)
}
