package mill

import "math"

// A Usual is what a figure usually is, from a source.
type Usual struct {
	Low    float64 `json:"low"`
	High   float64 `json:"high"` // 0: no upper end stated
	Source string  `json:"source"`
}

// Outside tells where f stands to usual ranges: "below" or "above" where its
// whole interval is outside all of them, else "".
func Outside(usual []Usual, f Figure) string {
	below, above := len(usual) > 0, len(usual) > 0
	for _, u := range usual {
		below = below && f.High < u.Low
		above = above && u.High > 0 && f.Low > u.High
	}
	switch {
	case f.Bare:
		return ""
	case below:
		return "below"
	case above:
		return "above"
	}
	return ""
}

// A MillType is a kind of mill by what the Rice Knowledge Bank of IRRI (page
// "milling yields", read 2026-11) says it gets out of paddy.
type MillType struct {
	Code string
	Text string
	// Recovery and HeadYield are percent of the paddy's mass.
	Recovery, HeadYield Usual
}

const irriYields = "IRRI Rice Knowledge Bank, milling yields"

// MillTypes lists the kinds of mill. The figures of the laboratory are the
// potential of good paddy at 13 % moisture.
var MillTypes = []MillType{
	{"laboratory", "laboratory mill, potential of good paddy", Usual{68, 72, irriYields}, Usual{50, 58, irriYields}},
	{"modern", "multi-stage modern mill", Usual{65, 70, irriYields}, Usual{45, 55, irriYields}},
	{"two-stage", "two-stage compact mill", Usual{60, 0, irriYields}, Usual{40, 50, irriYields}},
	{"one-pass", "one-pass village mill", Usual{50, 55, irriYields}, Usual{15, 30, irriYields}},
}

// MillTypeCodes lists the codes of MillTypes.
func MillTypeCodes() []string {
	var out []string
	for _, m := range MillTypes {
		out = append(out, m.Code)
	}
	return out
}

// content turns the usual yields of paddy into a share of milled rice: head
// yield over recovery, like with like (50 of 68 % is 73.5 %).
func (m *MillType) content() Usual {
	u := Usual{Low: math.Round(1000*m.HeadYield.Low/m.Recovery.Low) / 10, Source: m.HeadYield.Source + "; worked out: head yield / recovery"}
	if m.Recovery.High > 0 {
		u.High = math.Round(1000*m.HeadYield.High/m.Recovery.High) / 10
	}
	return u
}

// rest is the usual share of what is not u, of 100 %.
func (u Usual) rest() Usual {
	r := Usual{High: math.Round(10*(100-u.Low)) / 10, Source: u.Source}
	if u.High > 0 {
		r.Low = math.Round(10*(100-u.High)) / 10
	}
	return r
}

const irriFractions = "IRRI Rice Knowledge Bank, milling: 20 % husk, 8 to 12 % bran of the paddy"

// Usual figures that do not hang on the kind of mill.
var (
	// usualHulling spans the means of four kernel types in the laboratory study
	// quoted with ISO 6646: Arborio 81.2, Drago 82.0, Balilla 81.8, Thaibonnet
	// 77.7 %. IRRI's round figure is 80.
	usualHulling = Usual{77.7, 82.0, "ISO 6646 study, means of four kernel types"}
	// usualBran is worked out: 8 to 12 parts of bran on 80 of husked rice.
	usualBran = Usual{10, 15, irriFractions + "; worked out for husked rice"}
	// usualIndian is the same from Indian usage, which names the mass kept: 94
	// to 95 % of the husked rice.
	usualIndian = Usual{5, 6, "Singh et al. 2015, Indian usage: 94 to 95 % of husked rice kept"}
)

// ISO 6646's figures for the husked yield, in points: two determinations of
// one laboratory, and of two laboratories, differ by no more in 95 of 100
// cases (stated overall in the study quoted with the method).
const (
	HuskedRepeatability   = 1.0
	HuskedReproducibility = 3.0
)
