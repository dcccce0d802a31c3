package grading

import (
	"errors"

	"traytally/vision/kernel/fault"
)

// The causes a caller may branch on with errors.Is.
var (
	ErrNoKernels   = errors.New("no kernels to grade")
	ErrMixedScale  = errors.New("pictures with and without a scale")
	ErrNoScale     = errors.New("no scale")
	ErrNoReference = errors.New("no whole-kernel length")
	ErrMeasure     = errors.New("impossible measure")
	ErrParams      = errors.New("bad parameter")
)

// caused is a fault whose text ends with its cause, one of the above or wrapping one.
func caused(kind fault.Kind, cause error, what, hint string) error {
	return &fault.Error{Kind: kind, What: what + ": " + cause.Error(), Hint: hint, Err: cause}
}

// badParam is about a parameter that cannot be.
func badParam(what, hint string) error {
	return &fault.Error{Kind: fault.Usage, What: what, Hint: hint, Err: ErrParams}
}
