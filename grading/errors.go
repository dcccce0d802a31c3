package grading

import "errors"

// An InputError is a fault of what was handed in that the user can mend.
type InputError struct {
	What string // what is wrong, lower case, no full stop
	Hint string // the way out, with the option to give where there is one
	Err  error  // one of the sentinels below, or what a lower layer said; may be nil
}

// Error returns What, followed by the cause where there is one.
func (e *InputError) Error() string {
	if e.Err == nil {
		return e.What
	}
	return e.What + ": " + e.Err.Error()
}

// Unwrap returns Err.
func (e *InputError) Unwrap() error { return e.Err }

// The causes a caller may branch on with errors.Is.
var (
	ErrNoKernels   = errors.New("no kernels to grade")
	ErrMixedScale  = errors.New("pictures with and without a scale")
	ErrNoScale     = errors.New("no scale")
	ErrNoReference = errors.New("no whole-kernel length")
	ErrMeasure     = errors.New("impossible measure")
	ErrParams      = errors.New("bad parameter")
)
