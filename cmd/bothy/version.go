package main

import (
	"context"
	"fmt"
	"runtime"
	"runtime/debug"
)

func versionCommand() command {
	return command{
		name: "version",
		line: "tell the version",
		run: func(_ context.Context, c call) error {
			_, err := fmt.Fprintf(c.stdout, "bothy %s (%s, %s/%s)\n", version(), runtime.Version(), runtime.GOOS, runtime.GOARCH)
			return err
		},
	}
}

// version is what the build says of the module: a tag, or one made of the last
// tag, the commit and its time.
func version() string {
	if build, ok := debug.ReadBuildInfo(); ok && build.Main.Version != "" {
		return build.Main.Version
	}
	return "(devel)"
}
