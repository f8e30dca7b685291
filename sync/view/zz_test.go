package view_test
import ("testing";"os";"github.com/bothy-mesh/bothy/sync/view")
func BenchmarkZZ(b *testing.B) {
	if os.Getenv("ZZ") == "" { b.Skip() }
	s := realSchema()
	for b.Loop() {
		if err := view.Examine("/tmp/scratch/v100k", s, view.Options{}); err != nil { b.Fatal(err) }
	}
}
