package vision

// An InputError says what is wrong with a file the user gave, and what to do
// about it.
type InputError struct {
	Path string // as the user typed it
	What string // lower case, no full stop
	Hint string // one way out; may be empty
	Err  error  // cause: a FormatError, UnsupportedError or MemoryError, or one of package io/fs; may be nil
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

// A FormatError is the cause of an InputError whose file breaks the rules of
// its own format: cut short, damaged, contradicting itself.
type FormatError string

// Error returns what is wrong.
func (e FormatError) Error() string { return string(e) }

// An UnsupportedError is the cause of an InputError whose file is right and is
// of a kind or size that this package does not read.
type UnsupportedError string

// Error returns what is not supported.
func (e UnsupportedError) Error() string { return string(e) }

// A MemoryError is the cause of an InputError whose picture takes more memory
// than there is.
type MemoryError string

// Error returns how much is missing.
func (e MemoryError) Error() string { return string(e) }
