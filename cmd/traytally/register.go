package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/jedib0t/go-pretty/v6/table"
	"github.com/jedib0t/go-pretty/v6/text"
	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"traytally/samples"
	"traytally/vision/kernel/fault"
)

// registerVariable names the register where --register does not.
const registerVariable = "TRAYTALLY_REGISTER"

// registerFlags say which register is meant and who works on it.
type registerFlags struct{ register, by string }

func (r *registerFlags) add(f *pflag.FlagSet) {
	f.StringVar(&r.register, "register", "", "register of samples: a `FILE` or postgres://USER@HOST/DATABASE")
}

func (r *registerFlags) addBy(f *pflag.FlagSet) {
	f.StringVar(&r.by, "by", "", "`NAME` for the audit trail, instead of the one on this machine")
}

// command returns a command that works on the register, and its flag.
func (r *registerFlags) command(name string, args cobra.PositionalArgs, work func(ctx context.Context, g *samples.Register, args []string) error) *cobra.Command {
	cmd := newCommand(name, args, func(ctx context.Context, args []string) error {
		g, err := r.open(ctx, false)
		if err != nil {
			return err
		}
		defer g.Close()
		return work(ctx, g, args)
	})
	r.add(cmd.Flags())
	return cmd
}

// open opens the register, and with create makes one where there is none.
func (r *registerFlags) open(ctx context.Context, create bool) (*samples.Register, error) {
	where := cmp.Or(r.register, os.Getenv(registerVariable))
	if where == "" {
		dir, err := dataDir()
		if err != nil {
			return nil, err
		}
		if create {
			if err := os.MkdirAll(dir, 0o777); err != nil {
				return nil, notWritten(dir, err)
			}
		}
		where = filepath.Join(dir, "register.db")
	}
	return samples.Open(ctx, where, samples.OpenOptions{Create: create, Actor: r.by})
}

// errNoHome is the cause where no register is named and the user has no home.
var errNoHome = errors.New("no home directory")

func noHome(what string) error {
	return &fault.Error{Kind: fault.Usage, What: what, Hint: "name the register with --register", Err: errNoHome}
}

// dataDir returns the directory for what the program keeps for its user: the
// XDG base directory for data where there is one.
func dataDir() (string, error) {
	if d := os.Getenv("XDG_DATA_HOME"); filepath.IsAbs(d) {
		return filepath.Join(d, "traytally"), nil
	}
	home, err := os.UserHomeDir()
	if err != nil {
		return "", noHome("this user has no home directory for the register")
	}
	if info, err := os.Stat(home); err != nil || !info.IsDir() {
		return "", noHome(fmt.Sprintf("there is no home directory %s for the register", home))
	}
	return filepath.Join(home, ".local", "share", "traytally"), nil
}

// brokenText says the broken share and the outcome in one line.
func brokenText(r *samples.Row) string {
	e := r.BrokenMass
	within := number(e.Low, 2) + " to " + number(e.High, 2)
	if r.Untold {
		return fmt.Sprintf("broken not told (by the tips %s %% by mass)  %s", within, rowOutcome(r))
	}
	return fmt.Sprintf("broken %s %% by mass (%s)  %s", number(e.Value, 2), within, rowOutcome(r))
}

// rowOutcome is the outcome with what to bear in mind of it.
func rowOutcome(r *samples.Row) string {
	parts := slices.DeleteFunc([]string{r.Outcome(), r.Doubts(nil)}, func(s string) bool { return s == "" })
	return plain(strings.Join(parts, ", "))
}

// Widths of a table of samples, which with what parts its columns fill the 80
// of a terminal.
const (
	sampleWidth  = 24
	outcomeWidth = 24
)

// A sampleTable shows samples, each in a few lines of up to 80 columns: its
// code and pictures, its outcome and facts, the broken share and its interval.
type sampleTable struct{ table.Writer }

func newSampleTable(w io.Writer) sampleTable {
	return sampleTable{newTable(w, table.Row{"Sample", "Outcome", "Broken %", "95 % interval"}, 3, 4)}
}

// add adds a sample; what is said after its outcome. A nil row is one that was
// not graded.
func (t sampleTable) add(r *samples.Row, pictures string, said ...string) {
	cell := func(width int, lines ...string) string {
		var out []string
		for _, line := range lines {
			if line != "" {
				out = append(out, text.WrapText(text.WrapSoft(line, width), width)) // names may be one long word
			}
		}
		return strings.Join(out, "\n")
	}
	if r == nil {
		t.AppendRow(table.Row{cell(sampleWidth, pictures), cell(outcomeWidth, said...), "", ""})
		return
	}
	e := r.BrokenMass
	broken := number(e.Value, 2)
	if r.Untold {
		broken = "not told"
	}
	t.AppendRow(table.Row{
		cell(sampleWidth, plain(r.Code), pictures), cell(outcomeWidth, append([]string{rowOutcome(r)}, said...)...),
		broken, number(e.Low, 2) + " to " + number(e.High, 2) + "\n" + count(r.Kernels, "kernel", "kernels"),
	})
}

// standing says what people changed of a sample: that it was withdrawn, and how
// many kernels they corrected, with the figures as measured.
func standing(r *samples.Row) (out []string) {
	if r.Withdrawn {
		out = append(out, "withdrawn, does not count")
	}
	if m := r.AsMeasured; m != nil {
		out = append(out, fmt.Sprintf("%s corrected by %s; as measured %s", count(r.Corrected, "kernel", "kernels"), strings.Join(r.By, ", "), measuredText(m)))
	}
	return out
}

// measuredText says the broken share and the outcome without corrections.
func measuredText(m *samples.AsMeasured) string {
	before := samples.Row{BrokenMass: m.BrokenMass, Untold: m.Untold, TradeClass: m.Outcome}
	return strings.Replace(brokenText(&before), "  ", ", ", 1)
}

// tellStanding says it in lines of their own, each with the sample's code.
func tellStanding(w io.Writer, r *samples.Row, before string) {
	for _, text := range standing(r) {
		fmt.Fprintf(w, "%s%s: %s\n", before, plain(r.Code), plain(text))
	}
}

// printed is what a picture's path is shown as in tables.
func printed(paths []string) string {
	return plain(strings.Join(fileNames(paths), ", "))
}

// fileNames are the names of files without their directories.
func fileNames(paths []string) []string {
	out := make([]string, len(paths))
	for i, p := range paths {
		out[i] = filepath.Base(p)
	}
	return out
}
