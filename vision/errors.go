package vision

// An InputError says what is wrong with a file the user gave, and what to do
// about it.
type InputError struct {
	Path string // as the user typed it
	What string // lower case, no full stop
	Hint string // one way out; may be empty
	Err  error  // cause; may be nil
}

// Error returns "path: what".
func (e *InputError) Error() string {
	if e.Path == "" {
		return e.What
	}
	return e.Path + ": " + e.What
}

// Unwrap returns the cause.
func (e *InputError) Unwrap() error { return e.Err }
