package main

import (
	"context"

	"github.com/bothy-mesh/bothy/sync/record"
	"github.com/bothy-mesh/bothy/sync/view"

	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
)

func examineCommand() command {
	return command{
		name: "examine-view", args: "DIR",
		text: `It walks a view that is not open, and says what is damaged in it. A node and a hub
run it in a process of its own before they open their view, because a damaged one can
end the process that reads it. Exit codes: 0 whole, 1 damaged, 3 not examined.`,
		run: examineView,
	}
}

func examineView(_ context.Context, c call) error {
	limitMemory(c.env)
	schema, err := record.SchemaOf(bothyv1.Files()...)
	if err != nil {
		return err
	}
	if err := view.Examine(c.args[0], schema, view.Options{}); err != nil {
		return coded{err, view.ExitCode(err)}
	}
	return nil
}
