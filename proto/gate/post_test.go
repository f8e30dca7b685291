package gate_test

import (
	"fmt"
	"net/http"
	"strings"
	"sync/atomic"
	"testing"

	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
)

// BenchmarkPost measures a check of 46 points, and a hold, from a client to a
// service that does nothing: as JSON over HTTP on connections that stay, and over
// gRPC, with 1 and with 32 clients.
func BenchmarkPost(b *testing.B) {
	bench := start(b)
	hold := &bothyv1.HoldMachineRequest{Machine: "d-14", Reason: "the fence is down", Marking: bothyv1.Marking_TAGGED, RequestId: "r1"}
	check := &bothyv1.CreateCheckRequest{RequestId: "r1", Check: &bothyv1.Check{Machine: "d-14", Site: "ravens-quarry"}}
	var answers []string
	for i := range 46 {
		point := fmt.Sprintf("point-%d", i)
		check.Check.Answers = append(check.Check.Answers, &bothyv1.Answer{Point: point, State: bothyv1.AnswerState_OK})
		answers = append(answers, fmt.Sprintf(`{"point":%q,"state":"OK"}`, point))
	}
	checkJSON := `{"machine":"d-14","site":"ravens-quarry","answers":[` + strings.Join(answers, ",") + `]}`
	holdJSON := `{"reason":"the fence is down","marking":"TAGGED","requestId":"r1"}`
	client := bothyv1.NewRecordsServiceClient(bench.dial(b))

	for _, clients := range []int{1, 32} {
		run := func(name string, call func() error) {
			b.Run(fmt.Sprintf("%s/clients=%d", name, clients), func(b *testing.B) { share(b, clients, call) })
		}
		run("hold/json", func() error { return bench.post("/v1/machines/d-14:hold", holdJSON) })
		run("hold/grpc", func() error { _, err := client.HoldMachine(b.Context(), hold); return err })
		run("check/json", func() error { return bench.post("/v1/checks?requestId=r1", checkJSON) })
		run("check/grpc", func() error { _, err := client.CreateCheck(b.Context(), check); return err })
	}
}

// share makes b.N calls from a number of goroutines.
func share(b *testing.B, clients int, call func() error) {
	var left atomic.Int64
	left.Store(int64(b.N))
	done := make(chan error, clients)
	b.ReportAllocs()
	b.ResetTimer()
	for range clients {
		go func() {
			for left.Add(-1) >= 0 {
				if err := call(); err != nil {
					done <- err
					return
				}
			}
			done <- nil
		}()
	}
	for range clients {
		if err := <-done; err != nil {
			b.Error(err)
		}
	}
}

func (b *bench) post(path, body string) error {
	response, err := b.web.Post(b.url+path, "application/json", strings.NewReader(body))
	if err != nil {
		return err
	}
	defer response.Body.Close()
	buffer := make([]byte, 4<<10)
	for {
		if _, err := response.Body.Read(buffer); err != nil {
			break
		}
	}
	if response.StatusCode != http.StatusOK {
		return fmt.Errorf("status %s", response.Status)
	}
	return nil
}
