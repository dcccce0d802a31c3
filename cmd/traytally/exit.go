package main

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"traytally/grading"
	"traytally/grading/mill"
	"traytally/grading/standards"
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
	code, _ := told(err)
	return code
}

// hintOf returns the way out that an error offers, or "".
func hintOf(err error) string {
	_, hint := told(err)
	return hint
}

// told returns the exit code of an error and the way out that it offers.
func told(err error) (code int, hint string) {
	var (
		verdict  *answer
		usage    *usageError
		output   *outputError
		input    *inputError
		standard *standards.UnknownError
		grade    *standards.UnknownGradeError
		register *samples.Error
		picture  *vision.InputError
		memory   vision.MemoryError
		milling  *mill.InputError
		sample   *grading.InputError
	)
	switch {
	case err == nil:
		return exitDone, ""
	case errors.As(err, &verdict):
		return verdict.code, ""
	case errors.Is(err, context.Canceled):
		return exitInterrupted, ""
	case errors.As(err, &usage):
		return exitUsage, usage.hint
	case errors.As(err, &output):
		return exitOutput, output.hint
	case errors.As(err, &input):
		return exitInput, input.hint
	case errors.As(err, &standard):
		return exitUsage, standard.Hint()
	case errors.As(err, &grade):
		return exitUsage, grade.Hint()
	case errors.As(err, &register) && errors.Is(err, samples.ErrFull):
		return exitOutput, register.Hint
	case register != nil:
		return exitInput, register.Hint
	case errors.As(err, &picture) && errors.As(err, &memory):
		return exitMemory, picture.Hint
	case picture != nil:
		return exitInput, picture.Hint
	case errors.As(err, &milling):
		return exitUsage, milling.Hint
	case errors.As(err, &sample) && errors.Is(err, grading.ErrParams):
		return exitUsage, sample.Hint
	case sample != nil && errors.Is(err, grading.ErrProfile):
		return exitInput, sample.Hint
	case sample != nil:
		return exitUngraded, sample.Hint
	}
	return exitInternal, ""
}
