package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strings"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/genproto/googleapis/rpc/status"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
)

// The tools that ask a running node or hub use its JSON API, as anybody's own
// client would.

// answerWithin is how long an answer may take.
const answerWithin = time.Minute

// answerMost is the size of the largest answer that is read, in bytes: an import
// with everything wrong names every row.
const answerMost = 64 << 20

// ask sends one request to a server and reads its answer into out. body is nil
// for a GET.
func ask(ctx context.Context, server, path, person string, body, out proto.Message) error {
	ctx, cancel := context.WithTimeout(ctx, answerWithin)
	defer cancel()
	request, err := newRequest(ctx, strings.TrimRight(server, "/")+path, body)
	if err != nil {
		return err
	}
	if person != "" {
		request.Header.Set("Bothy-Person", person)
	}
	answer, err := http.DefaultClient.Do(request)
	if err != nil {
		return fmt.Errorf("no answer; is it running, and is the address right? %w", err)
	}
	defer answer.Body.Close()
	content, err := io.ReadAll(io.LimitReader(answer.Body, answerMost))
	if err != nil {
		return fmt.Errorf("the answer of %s broke off: %w", server, err)
	}
	if answer.StatusCode != http.StatusOK {
		return refusal(server, answer.Status, content)
	}
	if err := (protojson.UnmarshalOptions{DiscardUnknown: true}).Unmarshal(content, out); err != nil {
		return fmt.Errorf("%s is not a node or hub of ours, or of another version: %w", server, err)
	}
	return nil
}

func newRequest(ctx context.Context, url string, body proto.Message) (*http.Request, error) {
	if body == nil {
		return http.NewRequestWithContext(ctx, http.MethodGet, url, nil)
	}
	content, err := protojson.Marshal(body)
	if err != nil {
		return nil, err
	}
	request, err := http.NewRequestWithContext(ctx, http.MethodPost, url, bytes.NewReader(content))
	if err == nil {
		request.Header.Set("Content-Type", "application/json")
	}
	return request, err
}

// refusal is what a server said in place of an answer: its sentence, or a line
// for each field that was wrong.
func refusal(server, code string, content []byte) error {
	var said status.Status
	if err := (protojson.UnmarshalOptions{DiscardUnknown: true}).Unmarshal(content, &said); err != nil || said.GetMessage() == "" {
		return fmt.Errorf("%s answered %s", server, code)
	}
	refused := fmt.Sprintf("%s refused (%s): ", server, code)
	var lines []string
	for _, detail := range said.GetDetails() {
		var bad errdetails.BadRequest
		if detail.UnmarshalTo(&bad) != nil {
			continue
		}
		for _, v := range bad.GetFieldViolations() {
			lines = append(lines, refused+v.GetField()+": "+v.GetDescription())
		}
	}
	if len(lines) == 0 {
		lines = []string{refused + said.GetMessage()}
	}
	return errors.New(strings.Join(lines, "\n"))
}
