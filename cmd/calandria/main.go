// Command calandria watches the evaporators and vacuum pans of a sugar boiling
// house: it reads their tags over OPC UA, works out what the instruments do
// not show, keeps everything, and runs the site's alarms. It never writes to
// the plant and is no safety system.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/signal"
	"runtime"
	"runtime/debug"
	"syscall"
	"time"
	_ "time/tzdata" // time zones where the system has none

	"github.com/alecthomas/kong"

	"calandria/cmd/service"
	"calandria/plant"
)

// app is what every subcommand gets.
type app struct {
	ctx    context.Context
	in     *os.File
	out    io.Writer
	errOut io.Writer
	log    *slog.Logger
}

// progress shows how far something long has come: on a terminal in place, else a
// line a minute. What takes less than a second shows nothing.
func (a *app) progress(what string) func(done float64, at time.Time) {
	began := time.Now()
	shown := began.Add(700 * time.Millisecond)
	return func(done float64, at time.Time) {
		if a.errOut == nil {
			return
		}
		now, every, end := time.Now(), time.Minute, "\n"
		if terminal(a.errOut) {
			every, end = 300*time.Millisecond, ""
		}
		if now.Sub(shown) < every {
			return
		}
		shown = now
		left := time.Duration(float64(now.Sub(began)) * (1 - done) / max(done, 1e-3))
		if end == "" {
			fmt.Fprint(a.errOut, "\r")
		}
		fmt.Fprintf(a.errOut, "%s  %3.0f %%  %s, %s left   %s", what, 100*done, at.Format("2 Jan 2006"), left.Round(time.Second), end)
		if done >= 1 && end == "" {
			fmt.Fprintln(a.errOut)
		}
	}
}

type cli struct {
	Run         runCmd         `cmd:"" help:"Watch a plant: collect, calculate, record, alarm and show."`
	Demo        demoCmd        `cmd:"" help:"Show the program on an invented mill that it simulates itself."`
	Check       checkCmd       `cmd:"" help:"Check configuration and rules and print every fault with its line."`
	Init        initCmd        `cmd:"" help:"Lead through the first plant file: equipment, then a node for each signal. Writes a file, never the plant."`
	Browse      browseCmd      `cmd:"" help:"List the variables of an OPC UA server."`
	Rules       rulesCmd       `cmd:"" help:"Explain a rule, or list them."`
	Export      exportCmd      `cmd:"" help:"Write archived values, or aggregates of them, as CSV, JSON, Parquet or OpenMetrics."`
	Import      importCmd      `cmd:"" help:"Read values from CSV into the archive."`
	Archive     archiveCmd     `cmd:"" help:"Look at the files of the archive."`
	Strikes     strikesCmd     `cmd:"" help:"List recorded strikes, or write the profile of one."`
	Cleaning    cleaningCmd    `cmd:"" help:"Propose when to clean which evaporator body: planning information, no permission."`
	WhatIf      whatIfCmd      `cmd:"" name:"whatif" help:"Predict what becomes of a set that is cleaned, by-passed or run otherwise."`
	Recalculate recalculateCmd `cmd:"" help:"Calculate a stretch of the past again from its raw values, with the program, rules and corrections in force."`
	Correct     correctCmd     `cmd:"" help:"Say how the values of an instrument that read wrong are to be read, or list and take back corrections."`
	Backtest    backtestCmd    `cmd:"" help:"Replay the archive through a rule file and count its alarms."`
	Limits      limitsCmd      `cmd:"" help:"Propose limits of alarms from the site's own past."`
	Test        testCmd        `cmd:"" help:"Run scenarios: what the instruments read, and which alarms are to come of it."`
	ReplayCases replayCasesCmd `cmd:"" name:"replay-cases" help:"Replay a file of alarm cases (JSON lines) and print each result."`
	Notify      notifyCmd      `cmd:"" help:"Send a test notice through the notifiers of the plant file."`
	User        userCmd        `cmd:"" help:"Change who may sign in at the console."`
	Verify      verifyCmd      `cmd:"" help:"Check that no line of the journal was altered or removed."`
	Repair      repairCmd      `cmd:"" help:"Say which files of the program are damaged or set aside and what to do, and mend them."`
	Version     versionCmd     `cmd:"" help:"Print the version."`
	ReadServer  readServerCmd  `cmd:"" hidden:"" help:"Read one server for the running program, which starts it."`

	LogLevel slog.Level `help:"Least severity that is logged: debug, info, warn or error." default:"info"`
}

const description = `Historian and alarm engine for the evaporators and vacuum pans of a sugar boiling house.

It reads OPC UA tags and never writes to the plant. It advises and is no safety system: site procedures, interlocks and relief devices come first.`

// stopLimit is how long an orderly end may take after a signal.
const stopLimit = 9 * time.Second

// endInTime ends the process when an orderly end takes too long.
func endInTime(errOut io.Writer, exit func(code int)) {
	time.Sleep(stopLimit)
	fmt.Fprintf(errOut, "calandria: not at its end %s after the signal; ends now. The journal holds what was committed\n", stopLimit)
	exit(1)
}

// gcPercent is how far the memory may grow between two rounds of the garbage
// collector, in per cent of what is in use. The usual 100 takes a tenth more of the
// processor with 20,000 tags.
const gcPercent = 200

func main() {
	if os.Getenv("GOGC") == "" {
		debug.SetGCPercent(gcPercent)
	}
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	context.AfterFunc(ctx, func() {
		stop() // a second signal ends it at once
		endInTime(os.Stderr, os.Exit)
	})
	os.Exit(run(ctx, os.Args[1:], os.Stdout, os.Stderr))
}

// run is the program without its process: exit code 0, 1 for faults found or
// failure, 2 for a wrong command line.
func run(ctx context.Context, args []string, out, errOut io.Writer) (code int) {
	var c cli
	exited := -1
	k, err := kong.New(&c, kong.Name("calandria"), kong.Description(description), kong.Writers(out, errOut),
		kong.UsageOnError(), kong.Vars{"user": os.Getenv("USER")}, kong.ConfigureHelp(kong.HelpOptions{Compact: true}), kong.Exit(func(n int) { exited = n }))
	if err != nil {
		fmt.Fprintln(errOut, "calandria:", err)
		return 2
	}
	parsed, err := k.Parse(args)
	if exited >= 0 {
		return exited
	}
	if err != nil {
		fmt.Fprintf(errOut, "calandria: %v\nTry 'calandria --help'.\n", err)
		return 2
	}
	a := &app{ctx: ctx, in: os.Stdin, out: out, errOut: errOut,
		log: slog.New(slog.NewTextHandler(errOut, &slog.HandlerOptions{Level: c.LogLevel}))}
	defer func() {
		if r := recover(); r != nil {
			a.log.Error("internal fault; please report it", "fault", r, "stack", string(debug.Stack()))
			fmt.Fprintln(errOut, "calandria: internal fault; the log has the details")
			code = 1
		}
	}()
	if err := parsed.Run(a); err != nil {
		printError(errOut, err)
		return 1
	}
	return 0
}

// printError writes faults one a line, other errors with the program's name.
func printError(w io.Writer, err error) {
	if fs, ok := errors.AsType[plant.Faults](err); ok {
		for _, f := range fs {
			fmt.Fprintln(w, f.Error())
		}
		fmt.Fprintln(w, counted(len(fs), "fault"))
		return
	}
	fmt.Fprintln(w, "calandria:", err)
}

type versionCmd struct{}

func (versionCmd) Run(a *app) error {
	fmt.Fprintf(a.out, "calandria %s (%s, %s/%s)\n", service.Version(), runtime.Version(), runtime.GOOS, runtime.GOARCH)
	return nil
}
