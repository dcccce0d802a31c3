package main

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"traytally/vision/kernel/fault"
)

// Exit codes. 10 and up are for commands whose answer is a verdict.
const (
	exitDone        = 0
	exitInternal    = 1
	exitUsage       = 2
	exitInput       = 3
	exitUngraded    = 4
	exitOutput      = 5
	exitMemory      = 6
	exitContradicts = 10
	exitNotProven   = 11
	exitInterrupted = 130 // 128 + SIGINT, as shells report it
)

// exitCodes is the one table behind the help, the README and the tests.
var exitCodes = []struct {
	code int
	text string
}{
	{exitDone, "done"},
	{exitInternal, "a fault of the program or of the machine"},
	{exitUsage, "the command line cannot be carried out"},
	{exitInput, "a picture or an input file cannot be used"},
	{exitUngraded, "the pictures were measured, but the sample cannot be graded"},
	{exitOutput, "an output was refused: it exists already, or cannot be written"},
	{exitMemory, "a picture takes more memory than there is"},
	{exitContradicts, "verify: the sample contradicts the declared grade"},
	{exitNotProven, "verify: the sample proves nothing either way"},
	{exitInfeasible, "blend: no blend of these streams keeps the limits"},
	{exitDrifted, "calibrate: the scale has drifted from the profile"},
	{exitDiffers, "log: a sample or the register is not as it was registered"},
	{exitRejected, "settle: a figure is beyond what the contract takes"},
	{exitDisagree, "agree: the results do not agree"},
	{exitInterrupted, "interrupted; nothing half-written is left"},
}

// exitStatus renders exitCodes for the help.
func exitStatus() string {
	var b strings.Builder
	b.WriteString("Exit status:\n")
	for _, c := range exitCodes {
		fmt.Fprintf(&b, "  %3d  %s\n", c.code, c.text)
	}
	return b.String()
}

// codes are the exit codes of faults.
var codes = map[fault.Kind]int{
	fault.Input:  exitInput,
	fault.Usage:  exitUsage,
	fault.Sample: exitUngraded,
	fault.Output: exitOutput,
	fault.Memory: exitMemory,
}

// usageError is about a command line that cannot be carried out.
func usageError(what, hint string) error {
	return &fault.Error{Kind: fault.Usage, What: what, Hint: hint}
}

// inputError is about an input that cannot be used.
func inputError(path, what, hint string) error {
	return &fault.Error{Path: path, What: what, Hint: hint}
}

// outputError is about an output that was not written.
func outputError(path, what, hint string) error {
	return &fault.Error{Kind: fault.Output, Path: path, What: what, Hint: hint}
}

// codeOf returns the exit code of an error.
func codeOf(err error) int {
	verdict, answered := errors.AsType[*answer](err)
	switch {
	case err == nil:
		return exitDone
	case answered:
		return verdict.code
	case errors.Is(err, context.Canceled):
		return exitInterrupted
	}
	if e := fault.Of(err); e != nil {
		return codes[e.Kind]
	}
	return exitInternal
}

// hintOf returns the way out that an error offers, or "".
func hintOf(err error) string {
	if e := fault.Of(err); e != nil {
		return e.Hint
	}
	return ""
}

// endWith ends a command that gave its answer: with a code of its own where the
// answer is a bad one.
func endWith(err error, code int, bad bool) error {
	if err == nil && bad {
		return &answer{code}
	}
	return err
}
