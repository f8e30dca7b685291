package strictjson_test

import (
	"strings"
	"testing"

	"google.golang.org/protobuf/encoding/protojson"

	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
	"github.com/bothy-mesh/bothy/proto/gate/strictjson"
)

// BenchmarkCheck measures the look at a check of 46 points beside what decoding
// it costs anyway.
func BenchmarkCheck(b *testing.B) {
	text := []byte(`{"machine":"d-14","startedAt":"2031-04-05T06:07:08Z","meterHours":812.4,"answers":[` +
		strings.TrimSuffix(strings.Repeat(`{"point":"service-brake","state":"OK"},`, 46), ",") + `]}`)
	b.Run("strict", func(b *testing.B) {
		b.SetBytes(int64(len(text)))
		b.ReportAllocs()
		for b.Loop() {
			if err := strictjson.Check(text, strictjson.Target{Message: descriptor(new(bothyv1.Check)), At: "check"}); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("protojson", func(b *testing.B) {
		b.SetBytes(int64(len(text)))
		b.ReportAllocs()
		for b.Loop() {
			if err := protojson.Unmarshal(text, new(bothyv1.Check)); err != nil {
				b.Fatal(err)
			}
		}
	})
}
