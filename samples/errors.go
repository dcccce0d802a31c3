package samples

import (
	"errors"
	"fmt"

	"traytally/grading/standards"
	"traytally/vision/kernel/fault"
)

// The causes a caller may branch on with errors.Is.
var (
	ErrNotFound   = errors.New("no such sample")
	ErrNoRegister = errors.New("no register")
	ErrNewer      = errors.New("register of a newer version")
	ErrForeign    = errors.New("not a register")
	ErrDamaged    = errors.New("damaged register")
	ErrFull       = errors.New("no room left")
	ErrGone       = errors.New("register gone")
	ErrBusy       = errors.New("register in use")
	ErrCodeTaken  = errors.New("code in use")
	ErrChanged    = errors.New("changed meanwhile")
	ErrStandard   = errors.New("standard not at hand")
)

// notFound is about a code that is none of those meant by it.
func notFound(code string, meant []string) error {
	return &fault.Error{What: fmt.Sprintf("there is no sample %q in the register", code), Hint: standards.DidYouMean(code, meant, "traytally log list shows all samples"), Err: ErrNotFound}
}
