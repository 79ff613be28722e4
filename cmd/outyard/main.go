// Command outyard takes the readings of scales and sensors under beehives in
// remote yards, keeps them, says what they mean, and tells the keeper. All that
// is done by packages of their own: this one reads flags and wires them.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"runtime"
	"strings"
	"syscall"

	"github.com/spf13/cobra"

	"outyard/configs"
)

// commands are what outyard can do. Each has a file of its own.
func commands() []*cobra.Command {
	return []*cobra.Command{
		newBackup(),
		newCalibrate(),
		newCheck(),
		newDemo(),
		newExport(),
		newImport(),
		newJournal(),
		newNode(),
		newKeeper(),
		newRefused(),
		newReplay(),
		newRestore(),
		newRound(),
		newServe(),
		newSimulate(),
		newVersion(),
		newYards(),
	}
}

// How a command ended, for whoever started it.
const (
	exitDone     = 0
	exitFailed   = 1
	exitWrongUse = 2
)

func main() {
	// The samples of a heap profile take some 2 MiB. The daemon takes them
	// where debugging is asked for, which is the one place that shows them.
	runtime.MemProfileRate = 0
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	code := run(ctx, os.Args[1:], os.Stdin, os.Stdout, os.Stderr)
	stop()
	os.Exit(code)
}

// run is the program, its arguments and streams handed in.
func run(ctx context.Context, args []string, stdin io.Reader, stdout, stderr io.Writer) int {
	root := newRoot()
	root.SetArgs(args)
	root.SetIn(stdin)
	root.SetOut(stdout)
	root.SetErr(stderr)
	cmd, err := root.ExecuteContextC(ctx)
	if err == nil {
		return exitDone
	}
	var mistakes *configs.Mistakes
	var wrong usageError
	switch {
	case errors.As(err, &mistakes):
		// Each line begins with its place already.
		fmt.Fprintln(stderr, mistakes)
	case errors.As(err, &wrong):
		fmt.Fprintf(stderr, "outyard: %v\nsee %s --help\n", err, cmd.CommandPath())
		return exitWrongUse
	default:
		fmt.Fprintf(stderr, "outyard: %v\n", err)
	}
	return exitFailed
}

func newRoot() *cobra.Command {
	root := &cobra.Command{
		Use:           "outyard",
		Short:         "Readings from under the hives of remote yards, and what they mean",
		SilenceErrors: true,
		SilenceUsage:  true,
		Args:          cobra.ArbitraryArgs,
		RunE: func(cmd *cobra.Command, args []string) error {
			if len(args) == 0 {
				return useWrongly("name a command: %s", commandNames(cmd))
			}
			if near := cmd.SuggestionsFor(args[0]); len(near) > 0 {
				return useWrongly("unknown command %q: did you mean %s?", args[0], strings.Join(near, " or "))
			}
			return useWrongly("unknown command %q: want %s", args[0], commandNames(cmd))
		},
	}
	root.PersistentFlags().String("config", "", "config `FILE` (default "+configs.DefaultFile+", then "+configs.SystemFile+")")
	root.SetFlagErrorFunc(func(_ *cobra.Command, err error) error { return usageError{err} })
	root.SuggestionsMinimumDistance = 2
	root.CompletionOptions.HiddenDefaultCmd = true
	root.AddCommand(commands()...)
	countArgs(root)
	return root
}

func commandNames(root *cobra.Command) string {
	var names []string
	for _, c := range root.Commands() {
		if c.IsAvailableCommand() {
			names = append(names, c.Name())
		}
	}
	return strings.Join(names, ", ")
}

// usageError is an error about how a command was called.
type usageError struct{ error }

func (u usageError) Unwrap() error { return u.error }

func useWrongly(format string, args ...any) error { return usageError{fmt.Errorf(format, args...)} }

// countArgs makes a wrong number of arguments wrong use, here and below.
func countArgs(cmd *cobra.Command) {
	if check := cmd.Args; check != nil {
		cmd.Args = func(cmd *cobra.Command, args []string) error {
			if err := check(cmd, args); err != nil {
				return usageError{err}
			}
			return nil
		}
	}
	for _, sub := range cmd.Commands() {
		countArgs(sub)
	}
}
