// Package correct lays what a person says of single kernels on the measured
// trays of a sample: that one is broken or whole, has a flag or has it not, is
// no rice or not there, is two or a part of one, or was missed.
//
// A correction names its kernel by a place in the picture, so that it holds for
// trays measured again. Corrections are laid on one after the other, each on
// what those before it left, and the same ones on the same trays always give
// the same. The trays as corrected are graded like measured ones.
package correct

import (
	"bytes"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"traytally/grading/standards"
	"traytally/vision/kernel"
	"traytally/vision/kernel/fault"
)

// A Kind says what a correction does.
type Kind string

// The kinds.
const (
	Right   Kind = "right"    // looked at, and rightly judged
	Whole   Kind = "whole"    // a head kernel
	Broken  Kind = "broken"   // its size follows from its length
	Flag    Kind = "flag"     // has Correction.Flag
	Unflag  Kind = "unflag"   // has it not
	NotRice Kind = "not_rice" // a foreign body
	Gone    Kind = "gone"     // nothing is there: dust, a scratch, a shadow
	Cut     Kind = "cut"      // two pieces, parted by Line
	Join    Kind = "join"     // one piece with the one at With
	Add     Kind = "add"      // a missed piece with this Outline
)

// Kinds lists the kinds.
var Kinds = []Kind{Right, Whole, Broken, Flag, Unflag, NotRice, Gone, Cut, Join, Add}

// flags are those that can be set, in the order in which kernels carry them.
var flags = []kernel.Flag{kernel.Chalky, kernel.Yellow, kernel.Red, kernel.RedStreaked, kernel.Damaged, kernel.Paddy, kernel.Odd, kernel.Foreign}

// Flags returns the flags that can be set, in their usual order.
func Flags() []kernel.Flag { return slices.Clone(flags) }

// Reasons are the usual ones for a correction.
var Reasons = []string{"misjudged", "touching kernels", "missed kernel", "dust or reflection", "not rice", "checked by hand"}

// A Place is a position in the picture as displayed, x and y in px.
type Place []float64

func (p Place) point() kernel.Point { return kernel.Point{X: p[0], Y: p[1]} }

func (p Place) String() string {
	return strconv.FormatFloat(p[0], 'f', -1, 64) + "," + strconv.FormatFloat(p[1], 'f', -1, 64)
}

// A Correction is one thing that a person says of one kernel.
type Correction struct {
	Do Kind `yaml:"do" json:"do"`
	// Picture is the number of the picture, from 1; 0 where there is one.
	Picture int `yaml:"picture" json:"picture,omitempty"`
	// At lies in the kernel that is meant; without one with Add.
	At      Place       `yaml:"at" json:"at,omitempty"`
	Flag    kernel.Flag `yaml:"flag" json:"flag,omitempty"`
	Line    []Place     `yaml:"line" json:"line,omitempty"`       // of Cut: its two ends, outside of the kernel
	With    Place       `yaml:"with" json:"with,omitempty"`       // of Join: in the other piece
	Outline []Place     `yaml:"outline" json:"outline,omitempty"` // of Add: a polygon, last corner not repeated

	// By is who said it, Kernels are the measured kernels that it was said of,
	// by their ID, and Made are the pieces that came of it, measured.
	By      string          `yaml:"-" json:"by,omitempty"`
	Kernels []int           `yaml:"-" json:"kernels,omitempty"`
	Made    []kernel.Kernel `yaml:"-" json:"made,omitempty"`
}

// Said returns the correction as its author wrote it.
func (c Correction) Said() Correction {
	c.By, c.Kernels, c.Made = "", nil, nil
	return c
}

// A File is a file of corrections: all that hold for a revision, in place of
// those before.
type File struct {
	Sample      string       `yaml:"sample"`      // code; may be empty
	Revision    int          `yaml:"revision"`    // that they were made on
	Corrections []Correction `yaml:"corrections"` // empty: the sample as measured
}

func bad(hint, format string, a ...any) error {
	return &fault.Error{Kind: fault.Sample, What: fmt.Sprintf(format, a...), Hint: hint}
}

// Decode reads a file of corrections; name stands for its path. Errors are
// *fault.Error.
func Decode(name string, data []byte) (*File, error) {
	var f File
	const look = "traytally log corrections CODE prints a file to begin with"
	if p := standards.Decode(name, data, &f); len(p) > 0 {
		hint := p.Hint()
		if hint == "" {
			hint = look
		}
		return nil, bad(hint, "%s", p.Error())
	}
	switch {
	case f.Corrections == nil:
		return nil, bad(look+"; corrections: [] takes all back", "%s: has no list of corrections", name)
	case f.Revision < 1:
		return nil, bad("write the revision that you looked at, like revision: 1; "+look, "%s: does not say which revision of the sample it corrects", name)
	}
	for i := range f.Corrections {
		if err := f.Corrections[i].check(); err != nil {
			e := fault.Of(err)
			e.What = fmt.Sprintf("%s: correction %d: %s", name, i+1, e.What)
			return nil, e
		}
	}
	return &f, nil
}

// check refuses a correction that says too little, too much or what cannot be.
func (c *Correction) check() error {
	if !slices.Contains(Kinds, c.Do) {
		return bad("do is one of "+fault.List(Kinds...), "%q is nothing that can be done", c.Do)
	}
	for _, field := range []struct {
		name        string
		there, want bool
		hint        string
	}{
		{"at", c.At != nil, c.Do != Add, "at: [x, y] is a place in the kernel, in pixels of the picture"},
		{"flag", c.Flag != "", c.Do == Flag || c.Do == Unflag, "flag is one of " + fault.List(flags...)},
		{"line", c.Line != nil, c.Do == Cut, "line: [[x, y], [x, y]] goes right across the kernel to be cut"},
		{"with", c.With != nil, c.Do == Join, "with: [x, y] is a place in the piece to be joined"},
		{"outline", c.Outline != nil, c.Do == Add, "outline: [[x, y], [x, y], ...] goes round the missed kernel"},
	} {
		switch {
		case field.want && !field.there:
			return bad(field.hint, "%s needs %s", c.Do, field.name)
		case !field.want && field.there:
			return bad("take it out", "%s takes no %s", c.Do, field.name)
		}
	}
	for _, p := range slices.Concat([]Place{c.At, c.With}, c.Line, c.Outline) {
		if p != nil && (len(p) != 2 || !(math.Abs(p[0]) < 1e6) || !(math.Abs(p[1]) < 1e6)) {
			return bad("a place is [x, y]: pixels from the left and from the top of the picture", "%v is no place", []float64(p))
		}
	}
	switch {
	case c.Flag != "" && !slices.Contains(flags, c.Flag):
		return bad("flag is one of "+fault.List(flags...), "there is no flag %q", c.Flag)
	case c.Do == Cut && len(c.Line) != 2:
		return bad("line: [[x, y], [x, y]] goes right across the kernel to be cut", "a line has two ends, not %d", len(c.Line))
	case c.Do == Add && (len(c.Outline) < 3 || len(c.Outline) > 2000):
		return bad("give its corners one after the other", "an outline has 3 to 2000 corners, not %d", len(c.Outline))
	case c.Picture < 0:
		return bad("pictures are counted from 1", "there is no picture %d", c.Picture)
	}
	return nil
}

// Encode writes the file as Decode reads it.
func (f *File) Encode() []byte {
	var b bytes.Buffer
	fmt.Fprintf(&b, "# Corrections of single kernels; places are pixels of the picture.\nsample: %s\nrevision: %d\ncorrections:", strconv.Quote(f.Sample), f.Revision)
	if len(f.Corrections) == 0 {
		b.WriteString(" []")
	}
	b.WriteString("\n")
	place := func(p Place) string {
		if p == nil {
			return ""
		}
		return "[" + strings.ReplaceAll(p.String(), ",", ", ") + "]"
	}
	places := func(ps []Place) string {
		if ps == nil {
			return ""
		}
		s := make([]string, len(ps))
		for i, p := range ps {
			s[i] = place(p)
		}
		return "[" + strings.Join(s, ", ") + "]"
	}
	for _, c := range f.Corrections {
		fmt.Fprintf(&b, "  - {do: %s", c.Do)
		if c.Picture > 0 {
			fmt.Fprintf(&b, ", picture: %d", c.Picture)
		}
		for _, field := range [...][2]string{
			{"flag", string(c.Flag)}, {"at", place(c.At)}, {"with", place(c.With)}, {"line", places(c.Line)}, {"outline", places(c.Outline)},
		} {
			if field[1] != "" {
				fmt.Fprintf(&b, ", %s: %s", field[0], field[1])
			}
		}
		b.WriteString("}\n")
	}
	return b.Bytes()
}
