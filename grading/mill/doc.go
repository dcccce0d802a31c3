// Package mill answers the mill operator's questions from weighings and graded
// samples: how much whole grain the paddy gave (ComputeYield), which machine
// breaks it (CompareStages), what to mix for a grade (PlanBlend) and what the
// colour sorter takes out (JudgeSorter).
//
// The usual call is
//
//	y, err := mill.ComputeYield(mill.YieldInput{Paddy: &paddy, Milled: &milled, Broken: &broken})
//
// with figures from ParseMass, ParseShare and ParseMoisture, or from a graded
// sample read by ReadGraded.
//
// Shares are percent by mass and masses are grams unless a name says
// otherwise. Every figure carries a 95 % interval, or says that it has none.
// Errors that the user can mend are *fault.Error; those that wrap ErrBalance
// are balances that cannot be, with the numbers in the text.
package mill

import "errors"

// ErrBalance is wrapped by the error for a balance that cannot be: more comes
// out than went in, beyond what the uncertainty of the figures explains.
var ErrBalance = errors.New("impossible balance")
