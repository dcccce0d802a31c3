package report

import (
	"strings"

	"traytally/grading"
	"traytally/grading/chart"
	"traytally/grading/correct"
	"traytally/samples"
	"traytally/samples/words"
)

// A say writes what reports and pages have in common, in one language.
type say struct{ *words.Words }

// english is what the terminal and single charts speak.
var english say

// pct writes a percentage: one decimal, two below one percent.
func (v say) pct(x float64) string {
	if x > 0 && x < 1 {
		return v.T("%s %%", v.Number(x, 2))
	}
	return v.T("%s %%", v.Number(x, 1))
}

func (v say) interval(e grading.Estimate) string {
	d := 1
	if e.High < 1 {
		d = 2
	}
	return v.T("%s %%", v.Number(e.Low, d)+" – "+v.Number(e.High, d))
}

// plot returns p with the names of its ticks as the language writes numbers.
func (v say) plot(p chart.Plot) chart.Plot {
	p.Number = func(x float64) string { return v.Number(x, -1) }
	return p
}

// classNames are the names of classes and flags beside those of looks, by their
// codes.
var classNames = map[string]string{
	"chalky": words.Key("chalky"), "yellow": words.Key("yellow"), "red": words.Key("red"), "red_streaked": words.Key("red streaked"),
	"damaged": words.Key("damaged"), "paddy": words.Key("paddy"), "odd": words.Key("odd"), "foreign": words.Key("foreign"),
}

// className makes the code of a class or flag readable, and says the name of a
// factor of a standard.
func (v say) className(code string) string {
	for i := range looks {
		if string(looks[i].class) == code {
			return v.T(looks[i].name)
		}
	}
	if name, ok := classNames[code]; ok {
		return v.T(name)
	}
	return v.Said(strings.ReplaceAll(code, "_", " "))
}

// changed says what people changed of a sample: that it was withdrawn, and how
// many kernels they corrected, with the figures as measured.
func (v say) changed(r *samples.Row) (out []string) {
	if r.Withdrawn {
		out = append(out, v.T("withdrawn: this sample does not count"))
	}
	if m := r.AsMeasured; m != nil {
		broken := v.pct(m.BrokenMass.Value)
		if m.Untold {
			broken = v.T("not told")
		}
		by, _ := cut(visible(strings.Join(r.By, ", ")), mostFact)
		out = append(out, v.T("%d kernels corrected by hand by %s; as measured: broken %s (%s), %s",
			r.Corrected, by, broken, v.interval(m.BrokenMass), v.Said(m.Outcome)))
	}
	return out
}

// actionNames say what an entry of the audit trail did, and who.
var actionNames = map[string]string{
	samples.ActionRegister: words.Key("registered, by %s"), samples.ActionAmend: words.Key("amended, by %s"), samples.ActionWithdraw: words.Key("withdrawn, by %s"),
	samples.ActionRestore: words.Key("taken back, by %s"), samples.ActionRename: words.Key("renamed, by %s"),
}

// correctionNames say what a person did to a kernel.
var correctionNames = map[correct.Kind]string{
	correct.Right: words.Key("right"), correct.Whole: words.Key("whole"), correct.Broken: words.Key("broken"), correct.Flag: words.Key("flag"), correct.Unflag: words.Key("unflag"),
	correct.NotRice: words.Key("not rice"), correct.Gone: words.Key("gone"), correct.Cut: words.Key("cut"), correct.Join: words.Key("join"), correct.Add: words.Key("add"),
}

// verdictKey says what the marks of those verdicts mean that occur.
func (v say) verdictKey(occurs func(verdict string) bool) string {
	var parts []string
	for _, k := range []struct{ code, text string }{
		{grading.Meets, words.Key("● the whole interval is within the limit")}, {grading.Fails, words.Key("■ the whole interval is outside")},
		{grading.NotProven, words.Key("○ the limit lies inside the interval")}, {grading.ByHand, words.Key("□ outside by the picture; to be looked up, or done by hand")},
		{grading.Unassessed, words.Key("– neither picture nor sheet decide it")},
	} {
		if occurs(k.code) {
			parts = append(parts, v.T(k.text))
		}
	}
	return strings.Join(parts, "   ")
}

// limitHead are the heads of the table of limits.
func (v say) limitHead() []string {
	return []string{v.T("Grade"), v.T("What is limited"), v.T("Limit"), v.T("Found"), v.T("95 %% interval"), v.T("Verdict")}
}
