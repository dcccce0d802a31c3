// Package fault holds the one error of all rooms: a fault that the user can
// mend. It imports nothing but the standard library.
package fault

import (
	"errors"
	"fmt"
	"strings"
)

// A Kind says what of the user's is at fault; exit codes follow from it.
type Kind uint8

// The zero value is Input.
const (
	Input  Kind = iota // a picture or an input file
	Usage              // the command line, or what was handed in as a parameter
	Sample             // the sample: it was measured, and cannot be graded
	Output             // the place of an output
	Memory             // the machine: a picture takes more memory than there is
)

// An Error says what is wrong and what to do about it.
type Error struct {
	Kind Kind
	Path string // the file as the user typed it; may be empty
	What string // lower case, no full stop
	Hint string // one way out; may be empty
	Err  error  // cause, for callers that branch on it; What says what the user needs of it; may be nil
}

// New returns an error about an input file.
func New(path, hint, what string, a ...any) *Error {
	return &Error{Path: path, What: fmt.Sprintf(what, a...), Hint: hint}
}

// Error returns "path: what".
func (e *Error) Error() string {
	if e.Path == "" {
		return e.What
	}
	return e.Path + ": " + e.What
}

// Unwrap returns the cause.
func (e *Error) Unwrap() error { return e.Err }

// List names what there is to choose from, for a hint.
func List[T ~string](choice ...T) string {
	names := make([]string, len(choice))
	for i, c := range choice {
		names[i] = string(c)
	}
	return strings.Join(names, ", ")
}

// Of returns the first Error that err is or wraps, or nil.
func Of(err error) *Error {
	e, _ := errors.AsType[*Error](err)
	return e
}
