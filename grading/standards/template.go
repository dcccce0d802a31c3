package standards

import (
	"fmt"
	"strings"
)

// Template is a contract file to fill in: it passes the check as it stands, and
// its comments say what each line means.
const Template = `# A buyer's own limits. Check the file with: traytally standards check FILE
# Use it with:                              traytally grade ... --contract FILE
schema: 1
title: Rice contract
edition: "contract of 2026-01-15, annex 2"
status: contract

sources:
  contract: {title: "the contract, annex 2", year: "2026", seen: contract}

variants:
  - {code: contract, title: long grain white rice by contract}

# Grades from best to worst; every list of limits below has one entry for each.
grades: [first, second]
below_all: outside the contract

reference:
  text: the mean length of the sample's own whole kernels

# none, or for example {mode: half_up, stage: result, digits: 1}
rounding: {mode: none}

# Size classes by length as a fraction of the reference length. from: and
# up_to: take the value itself in, above: and below: leave it out. Together the
# classes must take every length once.
sizes:
  - {name: whole, whole: true, length: {from: 0.75}}
  - {name: broken, length: {below: 0.75}}

broken: broken # the factor that is the broken share

# Limits in percent by mass (basis: mass), by number (count), or as a number of
# kernels (per_kg, per_500g). at_most: and at_least: allow the value itself,
# below: and above: do not. ~ stands for no limit in that grade.
factors:
  - code: broken
    name: broken kernels
    basis: mass
    clause: "annex 2, line 1"
    source: contract
    picture: decides
    pieces: {sizes: [broken]}
    at_most: [5.0, 10.0]
  - code: chalky
    name: chalky kernels
    definition: opaque on half of the visible surface or more
    basis: mass
    clause: "annex 2, line 2"
    source: contract
    picture: estimates
    picture_note: the visible side stands for the whole kernel
    pieces: {chalk_from: 0.5}
    at_most: [6.0, 8.0]
  - code: moisture
    name: moisture
    basis: mass
    clause: "annex 2, line 3"
    source: contract
    sheet: moisture_pct # read from the sample sheet, no picture shows it
    at_most: 14.0
`

// TemplateFrom returns the embedded edition that holds the standard with the
// given code as a contract file to change: the same text with another head.
// The error for an unknown code is a *fault.Error.
func TemplateFrom(code string) (string, error) {
	if _, err := Lookup(code); err != nil {
		return "", err
	}
	eds, err := Editions()
	if err != nil {
		return "", err
	}
	for _, ed := range eds {
		for _, v := range ed.Variants {
			if v.Code != code {
				continue
			}
			const head = `# A contract that starts from %s.
# Change what the contract changes; what is left as it is keeps its source and
# its mark "from memory". Use it with: --contract FILE --standard %s
%s`
			text := strings.Replace(string(ed.Source), "\nstatus: "+ed.File.Status+"\n", "\nstatus: contract\n", 1)
			return fmt.Sprintf(head, ed.File.Edition, code, text), nil
		}
	}
	return "", unknown(code, nil)
}
