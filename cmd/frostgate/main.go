// Command frostgate runs a contractor's winter: it keeps the coming pours, watches the public forecast for each, says
// place, protect or move, and tells the right people in time. README.md shows how to start it.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net/url"
	"os"
	"os/signal"
	"reflect"
	"runtime/debug"
	"strings"
	"syscall"
	_ "time/tzdata" // a container without zone files still knows every site's zone

	"github.com/alecthomas/kong"
	"github.com/mattn/go-isatty"
)

// version is set by the build.
var version = "devel"

// commands is all that can be said on the command line; each flag may also come from the environment.
type commands struct {
	Serve   serveCommand   `cmd:"" help:"Run the service."`
	Demo    demoCommand    `cmd:"" help:"Show an invented winter week on this machine, without the internet."`
	Assess  assessCommand  `cmd:"" help:"Assess one pour with its weather from a file; no database is used."`
	Token   tokenCommand   `cmd:"" help:"Make an access token and print it, once."`
	Migrate migrateCommand `cmd:"" help:"Bring the database's schema up to date and leave."`
	OpenAPI openAPICommand `cmd:"" name:"openapi" help:"Print the description of the API (OpenAPI 3.1)."`
	Version versionCommand `cmd:"" help:"Print the version."`

	Log       slog.Level `help:"Least level that is logged: debug, info, warn or error." default:"info"`
	LogFormat string     `help:"Form of the log: text, json, or auto for text on a terminal and JSON elsewhere." enum:"auto,text,json" default:"auto"`
}

// program is what a command works with.
type program struct {
	ctx            context.Context
	stdin          io.Reader
	stdout, stderr io.Writer
	log            *slog.Logger
	settings       []slog.Attr // of the chosen command, secrets masked
}

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	err := run(ctx, os.Args[1:], os.Stdin, os.Stdout, os.Stderr)
	stop()
	if err != nil {
		fmt.Fprintln(os.Stderr, "frostgate:", strings.Join(strings.Fields(err.Error()), " ")) // one line, whatever is wrapped in it
		os.Exit(1)
	}
}

// run carries out one command line and returns when it is done or ctx has ended; the second is no error.
func run(ctx context.Context, args []string, stdin io.Reader, stdout, stderr io.Writer) (err error) {
	defer func() {
		// Help ends the parser by its exit function.
		if left := recover(); left != nil {
			code, ok := left.(exit)
			if !ok {
				panic(left)
			}
			err = code.error()
		}
	}()
	var line commands
	parser, err := kong.New(&line,
		kong.Name("frostgate"),
		kong.Description("Place, protect or move: winter concrete by the forecast."),
		kong.DefaultEnvars("FROSTGATE"),
		kong.Writers(stdout, stderr),
		kong.Exit(func(code int) { panic(exit(code)) }),
		kong.UsageOnError(),
	)
	if err != nil {
		return err
	}
	chosen, err := parser.Parse(args)
	if err != nil {
		return fmt.Errorf("%w (frostgate --help lists the commands)", err)
	}
	p := &program{ctx: ctx, stdin: stdin, stdout: stdout, stderr: stderr, log: newLog(stderr, line.Log, line.LogFormat), settings: settings(chosen)}
	err = chosen.Run(p)
	if ctx.Err() != nil && errors.Is(err, context.Canceled) {
		return nil
	}
	return err
}

// exit is a status that the parser wants to end with.
type exit int

func (e exit) error() error {
	if e == 0 {
		return nil
	}
	return fmt.Errorf("status %d", int(e))
}

func newLog(w io.Writer, level slog.Level, format string) *slog.Logger {
	options := &slog.HandlerOptions{Level: level, ReplaceAttr: func(_ []string, a slog.Attr) slog.Attr {
		if a.Value.Kind() == slog.KindDuration { // JSON would give nanoseconds
			a.Value = slog.StringValue(a.Value.Duration().String())
		}
		return a
	}}
	file, isFile := w.(*os.File)
	terminal := isFile && isatty.IsTerminal(file.Fd())
	if format == "text" || format == "auto" && terminal {
		return slog.New(slog.NewTextHandler(w, options))
	}
	return slog.New(slog.NewJSONHandler(w, options))
}

// settings lists the flags in force, those that hold secrets masked.
func settings(chosen *kong.Context) []slog.Attr {
	var list []slog.Attr
	for _, flag := range chosen.Flags() {
		if flag.Name == "help" {
			continue
		}
		text := fmt.Sprint(reflect.Indirect(flag.Target).Interface())
		if flag.Tag.Has("secret") {
			text = mask(text)
		}
		list = append(list, slog.String(strings.ReplaceAll(flag.Name, "-", "_"), text))
	}
	return list
}

// mask keeps of a secret only that it is there, and of a URL all but the password.
func mask(text string) string {
	if text == "" {
		return ""
	}
	if u, err := url.Parse(text); err == nil && u.Host != "" {
		u.RawQuery = ""
		return u.Redacted()
	}
	return "(set)"
}

type versionCommand struct{}

// Run prints the version and the Go release it was built with.
func (versionCommand) Run(p *program) error {
	built := "unknown"
	if info, ok := debug.ReadBuildInfo(); ok {
		built = info.GoVersion
	}
	_, err := fmt.Fprintf(p.stdout, "frostgate %s (%s)\n", version, built)
	return err
}
