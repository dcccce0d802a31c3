// Package settle turns the figures of a delivered lot into money by the terms
// of a contract: Parse reads the contract, Contract.Settle works out the
// adjusted mass, every deduction with its clause, the amount, and the interval
// in money that the measurements leave.
//
// Money, masses and the contract's numbers are exact fractions (math/big.Rat);
// they are rounded only where the contract says so: figures to the digits of
// their term, the adjusted mass, and the amount of every line, whose sum is
// the amount to pay. So the lines of a settlement add up to the last unit, as
// EN 16931-1 asks of an invoice (business rule BR-CO-10: the sum of net
// amounts of the lines; from memory).
package settle
