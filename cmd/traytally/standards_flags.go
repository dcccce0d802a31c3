package main

import (
	"cmp"
	"errors"
	"fmt"
	"io/fs"
	"strings"

	"github.com/spf13/pflag"

	"traytally/grading"
	"traytally/grading/standards"
	"traytally/vision/kernel/fault"
)

// standardFlags are the flags that choose the limits to judge by.
type standardFlags struct {
	standard, contract string
	sheet              string   // file, or empty
	moisture           string   // percent as typed, or empty
	found              []string // FIELD=VALUE, further entries of the sheet
}

func (s *standardFlags) add(f *pflag.FlagSet) {
	s.addLimits(f)
	s.addSheet(f)
}

func (s *standardFlags) addLimits(f *pflag.FlagSet) {
	f.StringVar(&s.standard, "standard", "", "judge by the published standard with this `CODE`; see 'traytally standards list'")
	f.StringVar(&s.contract, "contract", "", "judge by the limits in `FILE`; see 'traytally standards template'")
}

// addSheet adds the flags for what no picture shows.
func (s *standardFlags) addSheet(f *pflag.FlagSet) {
	f.StringVar(&s.sheet, "sheet", "", "sample sheet in `FILE` (YAML, or CSV with field,value rows): moisture, odour and what else no picture shows")
	f.StringVar(&s.moisture, "moisture", "", "moisture of the rice in `PERCENT`, as an entry of the sample sheet")
	f.StringArrayVar(&s.found, "found", nil, "any other entry of the sample sheet as `FIELD=VALUE`: odour_ok=yes, paddy_count=3; may be repeated")
}

func (s *standardFlags) given() bool { return s.standard != "" || s.contract != "" }

// sampleSheet returns the sheet's file with the entries of the command line in
// place of those in it, nil where there is neither.
func (s *standardFlags) sampleSheet() (*grading.Sheet, error) {
	if !s.given() && (s.sheet != "" || s.moisture != "" || len(s.found) > 0) {
		return nil, usageError("a sample sheet without a standard", "name the limits it is for: --standard CODE ('trade' for plain classes by broken share) or --contract FILE")
	}
	var sheet *grading.Sheet
	if s.sheet != "" {
		var err error
		if sheet, err = grading.LoadSheet(s.sheet); err != nil {
			return nil, inStandardWords(err, s.sheet)
		}
	}
	enter := func(flag, field, value string) error {
		if sheet == nil {
			sheet = &grading.Sheet{}
		}
		return typedEntry(flag, sheet.Set(field, value))
	}
	for _, entry := range s.found {
		field, value, ok := strings.Cut(entry, "=")
		if !ok {
			return nil, usageError(fmt.Sprintf("--found %s: no value", entry), "write FIELD=VALUE, for example --found odour_ok=yes")
		}
		if err := enter("--found", strings.TrimSpace(field), strings.TrimSpace(value)); err != nil {
			return nil, err
		}
	}
	if s.moisture != "" {
		if err := enter("--moisture", "moisture_pct", s.moisture); err != nil {
			return nil, err
		}
	}
	if sheet == nil {
		return nil, nil
	}
	return sheet, typedEntry("sample sheet", sheet.Validate())
}

// typedEntry turns an error about an entry from the command line into one of
// its use.
func typedEntry(flag string, err error) error {
	if errors.Is(err, grading.ErrSheet) {
		return usageError(flag+": "+fault.Of(err).What, fault.Of(err).Hint)
	}
	return err
}

// limits returns the standard that is named, and the contract's file where it
// stands in one.
func (s *standardFlags) limits() (std *standards.Standard, contract []byte, err error) {
	if s.contract == "" {
		std, err := standards.Lookup(s.standard)
		return std, nil, err
	}
	ed, err := loadContract(s.contract)
	if err != nil {
		return nil, nil, err
	}
	var codes []string
	for _, v := range ed.Variants {
		codes = append(codes, v.Code)
		if v.Code == s.standard || s.standard == "" && len(ed.Variants) == 1 {
			return v, ed.Source, nil
		}
	}
	if s.standard == "" {
		return nil, nil, usageError(fmt.Sprintf("%s holds %d kinds of rice", s.contract, len(codes)), "choose one with --standard: "+strings.Join(codes, ", "))
	}
	return nil, nil, usageError(fmt.Sprintf("%s has no %q", s.contract, s.standard), "it has: "+strings.Join(codes, ", "))
}

// gradeOf returns the grade of a standard that is named. The only one of a standard
// need not be; of several, unnamed says that none was, with the way out.
func gradeOf(std *standards.Standard, name string, unnamed error) (int, error) {
	switch {
	case name != "":
		return std.Grade(name)
	case len(std.Grades) == 1:
		return 0, nil
	}
	return 0, unnamed
}

// loadContract reads a contract's limits.
func loadContract(path string) (*standards.Edition, error) {
	ed, err := standards.LoadContract(path)
	return ed, inStandardWords(err, path)
}

// inStandardWords turns an error about limits or a sample sheet into one with
// an exit code; path names the file it came from.
func inStandardWords(err error, path string) error {
	if e := fault.Of(err); errors.Is(err, grading.ErrSheet) {
		return inputError(cmp.Or(e.Path, path, "sample sheet"), e.What, e.Hint)
	} else if e != nil {
		return err
	}
	if p, ok := errors.AsType[standards.Problems](err); ok {
		return notUsable(path, p, ": traytally standards check "+shellWord(path), "")
	}
	if _, ok := errors.AsType[*fs.PathError](err); ok {
		return notRead(path, err, "check the name")
	}
	return err
}

// notUsable says the first of the problems of a file, and in more where the others
// are told.
func notUsable(path string, p standards.Problems, more, hint string) error {
	what := p[0].Message
	if n := len(p) - 1; n > 0 {
		what += fmt.Sprintf(" (and %d more%s)", n, more)
	}
	if p[0].Line > 0 {
		path = fmt.Sprintf("%s:%d:%d", path, p[0].Line, p[0].Col)
	}
	return inputError(path, what, cmp.Or(p.Hint(), hint))
}
