// Package agree tells whether results of one lot agree, and how well two
// methods do over many samples.
//
// Compare takes two or more results of one lot, from one laboratory or
// several, and judges them by their own intervals and by stated limits of
// repeatability and reproducibility (ISO 5725-6). NewStudy takes samples that
// were measured both by hand and from pictures: bias and limits of agreement
// (J.M. Bland, D.G. Altman, Lancet i (1986) 307-310), slope by Deming
// regression, and the repeatability of each method (ISO 5725-2). PrecisionOf,
// Cochran and Grubbs are the tools of ISO 5725-2 by themselves.
//
// Clauses and formulas of ISO 5725 are from memory; the tests hold them to the
// standard's own worked example. Figures are in one unit throughout, for
// brokens percent by mass.
package agree

import "errors"

// ErrTooFew is returned where there are not enough figures for an answer.
var ErrTooFew = errors.New("too few figures")
