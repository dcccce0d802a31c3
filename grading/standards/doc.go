// Package standards holds the published limits for milled rice as data: one
// embedded YAML file per edition, and the same form for a buyer's own
// contract.
//
//	std, err := standards.Lookup("us-long")
//	for _, l := range std.Limits(0) { // grade 0 is the best
//		fmt.Println(l.Grade, l.Factor.Name, l.Bound, l.Value, l.Unit, l.Clause)
//	}
//
// A file names its sources, the grades from best to worst, the size classes
// (fractions of the reference length, which side equality goes to, sieves) and
// the factors: what is measured, in which unit and on which basis, how far a
// picture decides it, and its limit in each grade. A figure or a reading that
// is from memory says so with from_memory and carries that mark to the screen.
//
// The package knows no kernels: what a limit means for measured pieces is
// package grading's part.
package standards
