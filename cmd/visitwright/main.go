// Command visitwright plans root-canal treatment over visits: it serves the
// gRPC services and is their command line.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"syscall"
	"time"

	"github.com/alecthomas/kong"

	"github.com/visitwright/visitwright/clients/cli"
	client "github.com/visitwright/visitwright/clients/go"
)

// Exit codes.
const (
	exitDone    = 0
	exitRefused = 1 // the service, the database or the network said no
	exitUsage   = 2 // the command was called wrongly
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), syscall.SIGTERM, os.Interrupt)
	go func() {
		<-ctx.Done()
		stop() // the second signal ends the program at once
	}()
	code := run(ctx, os.Args[1:], world{in: os.Stdin, out: os.Stdout, err: os.Stderr, now: time.Now})
	stop()
	os.Exit(code)
}

// world is what the program touches outside itself.
type world struct {
	in       io.Reader // for passphrases alone; may be nil
	out, err io.Writer
	now      func() time.Time
}

// program is the grammar of the command line.
type program struct {
	Demo demoCommand `cmd:"" help:"Open the web desk on an invented practice, with two weeks of its diary."`
	cli.Commands
	Serve   serveCommand   `cmd:"" help:"Serve the gRPC services until SIGTERM or SIGINT."`
	Desk    deskCommand    `cmd:"" help:"Serve the web desk for a running service."`
	Token   tokenCommand   `cmd:"" help:"Give out, list and revoke access tokens. Works on the database itself."`
	Version versionCommand `cmd:"" help:"Show the versions of the program, its data and its mathematics."`

	Where where `embed:""`
}

// run is the program without its process: tests call it.
func run(ctx context.Context, args []string, w world) int {
	var p program
	exited := -1
	parser, err := kong.New(&p,
		kong.Name("visitwright"),
		kong.Description("Plans root-canal treatment over visits: odds, appointment lengths, return windows, visit sheets. The tool advises, the clinician decides."),
		kong.ConfigureHelp(kong.HelpOptions{Compact: true, FlagsLast: true, NoExpandSubcommands: true, WrapUpperBound: cli.Width}),
		kong.Writers(w.out, w.err),
		kong.Exit(func(code int) { exited = code }),
	)
	if err != nil {
		_, _ = fmt.Fprintln(w.err, "visitwright:", err)
		return exitRefused
	}
	if len(args) == 0 {
		args = []string{"--help"}
	}
	parsed, err := parser.Parse(args)
	if exited >= 0 { // --help was printed
		return exited
	}
	if err != nil {
		return w.fail(fmt.Errorf("%w: %w", cli.ErrUsage, err))
	}
	session := &opener{ctx: ctx, where: &p.Where, world: w, command: parsed.Command()}
	err = parsed.BindToProvider(session.open)
	if err == nil {
		err = parsed.Run(&errand{ctx: ctx, where: &p.Where, world: w})
	}
	return w.fail(errors.Join(err, session.close()))
}

// fail says what went wrong on standard error and chooses the exit code.
func (w world) fail(err error) int {
	if err == nil {
		return exitDone
	}
	if errors.Is(err, cli.ErrUsage) {
		_, _ = fmt.Fprintf(w.err, "visitwright: %v\nTry --help.\n", err)
		return exitUsage
	}
	_, _ = fmt.Fprintf(w.err, "visitwright: %v\n", err)
	var refused *client.Error
	if errors.As(err, &refused) && refused.Reason != "" {
		_, _ = fmt.Fprintf(w.err, "reason: %s\n", refused.Reason)
		if list := refused.Metadata["catalogue"]; list != "" {
			_, _ = fmt.Fprintf(w.err, "What there is: visitwright catalogue %s\n", list)
		}
	}
	return exitRefused
}

// errand is what the commands of this folder work with.
type errand struct {
	ctx   context.Context
	where *where
	world world
}
