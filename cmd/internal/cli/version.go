package cli

import (
	"fmt"
	"runtime"
	"runtime/debug"

	"github.com/spf13/cobra"
)

// version is set by the linker for a release.
var version = ""

func newVersion(e *Env) *cobra.Command {
	return &cobra.Command{
		Use:   "version",
		Short: "say which version this is",
		Args:  cobra.NoArgs,
		RunE: func(*cobra.Command, []string) error {
			_, err := fmt.Fprintf(e.Out, "pinchrod %s %s %s/%s\n", ownVersion(), runtime.Version(), runtime.GOOS, runtime.GOARCH)
			return err
		},
	}
}

func ownVersion() string {
	if version != "" {
		return version
	}
	if b, ok := debug.ReadBuildInfo(); ok && b.Main.Version != "" {
		return b.Main.Version
	}
	return "(devel)"
}
