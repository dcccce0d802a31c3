package report

import "traytally/grading"

// Letter returns the letter by which a class is told apart without colour;
// empty for head kernels.
func Letter(c grading.Class) string { return lookOf(c).letter }

// Visible makes text of people's own harmless and visible: characters that
// would turn or hide what stands around them are replaced.
func Visible(s string) string { return visible(s) }
