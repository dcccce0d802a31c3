package main

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"traytally/grading"
	"traytally/samples"
	"traytally/vision"
)

// Exit codes. 10 and up are for commands whose answer is a verdict.
const (
	exitDone        = 0
	exitInternal    = 1
	exitUsage       = 2
	exitInput       = 3
	exitUngraded    = 4
	exitOutput      = 5
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
	{exitContradicts, "verify: the sample contradicts the declared grade"},
	{exitNotProven, "verify: the sample proves nothing either way"},
	{exitInfeasible, "blend: no blend of these streams keeps the limits"},
	{exitDrifted, "calibrate: the scale has drifted from the profile"},
	{exitDiffers, "log: a sample or the register is not as it was registered"},
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

// A usageError is a command line that cannot be carried out.
type usageError struct{ what, hint string }

func (e *usageError) Error() string { return e.what }

// An inputError is an input that cannot be used, beyond what vision refuses.
type inputError struct {
	path, what, hint string
	err              error
}

func (e *inputError) Error() string { return e.path + ": " + e.what }
func (e *inputError) Unwrap() error { return e.err }

// An outputError is an output that was not written.
type outputError struct {
	path, what, hint string
	err              error
}

func (e *outputError) Error() string { return e.path + ": " + e.what }
func (e *outputError) Unwrap() error { return e.err }

// codeOf returns the exit code of an error.
func codeOf(err error) int {
	if err == nil {
		return exitDone
	}
	if a, ok := errors.AsType[*answer](err); ok {
		return a.code
	}
	if errors.Is(err, context.Canceled) {
		return exitInterrupted
	}
	if _, ok := errors.AsType[*usageError](err); ok {
		return exitUsage
	}
	if _, ok := errors.AsType[*outputError](err); ok {
		return exitOutput
	}
	if _, ok := errors.AsType[*inputError](err); ok {
		return exitInput
	}
	if _, ok := errors.AsType[*samples.Error](err); ok {
		if errors.Is(err, samples.ErrFull) {
			return exitOutput
		}
		return exitInput
	}
	if _, ok := errors.AsType[*vision.InputError](err); ok {
		return exitInput
	}
	if _, ok := errors.AsType[*grading.InputError](err); ok {
		switch {
		case errors.Is(err, grading.ErrParams):
			return exitUsage
		case errors.Is(err, grading.ErrProfile):
			return exitInput
		}
		return exitUngraded
	}
	return exitInternal
}

// hintOf returns the way out that an error offers, or "".
func hintOf(err error) string {
	if e, ok := errors.AsType[*usageError](err); ok {
		return e.hint
	}
	if e, ok := errors.AsType[*outputError](err); ok {
		return e.hint
	}
	if e, ok := errors.AsType[*inputError](err); ok {
		return e.hint
	}
	if e, ok := errors.AsType[*samples.Error](err); ok {
		return e.Hint
	}
	if e, ok := errors.AsType[*vision.InputError](err); ok {
		return e.Hint
	}
	if e, ok := errors.AsType[*grading.InputError](err); ok {
		return e.Hint
	}
	return ""
}
