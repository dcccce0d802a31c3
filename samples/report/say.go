package report

import (
	"fmt"
	"slices"
	"strings"
	"unicode"

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

// Pct writes a percentage: one decimal, two below one percent.
func (v say) Pct(x float64) string {
	if x > 0 && x < 1 {
		return v.T("%s %%", v.Number(x, 2))
	}
	return v.T("%s %%", v.Number(x, 1))
}

func (v say) Between(e grading.Estimate) string {
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

// NameOf makes the code of a class or flag readable, and says the name of a
// factor of a standard.
func (v say) NameOf(code any) string {
	c := fmt.Sprint(code)
	name := strings.ReplaceAll(c, "_", " ")
	for i := range looks {
		if string(looks[i].class) == c {
			return v.T(looks[i].name)
		}
	}
	if _, flag := flagColours[c]; flag {
		return v.T(name)
	}
	return v.Said(name)
}

// Changed says what people changed of a sample: that it was withdrawn, and how
// many kernels they corrected, with the figures as measured.
func (v say) Changed(r *samples.Row) (out []string) {
	if r.Withdrawn {
		out = append(out, v.T("withdrawn: this sample does not count"))
	}
	if m := r.AsMeasured; m != nil {
		broken := v.Pct(m.BrokenMass.Value)
		if m.Untold {
			broken = v.T("not told")
		}
		by, _ := cut(Visible(strings.Join(r.By, ", ")), mostFact)
		out = append(out, v.T("%d kernels corrected by hand by %s; as measured: broken %s (%s), %s",
			r.Corrected, by, broken, v.Between(m.BrokenMass), v.Said(m.Outcome)))
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

// A verdict is how the verdict on a limit is shown, in words and by shape, and
// what that means.
type verdict struct {
	Code, Word, Mark, means string
	colour                  chart.Colour
}

var verdicts = []verdict{
	{grading.Meets, words.Key("meets"), "●", words.Key("● the whole interval is within the limit"), good},
	{grading.Fails, words.Key("fails"), "■", words.Key("■ the whole interval is outside"), stop},
	{grading.NotProven, words.Key("not proven"), "○", words.Key("○ the limit lies inside the interval"), doubt},
	{grading.ByHand, words.Key("by hand"), "□", words.Key("□ outside by the picture; to be looked up, or done by hand"), doubt},
	{grading.Unassessed, words.Key("not assessed"), "–", words.Key("– neither picture nor sheet decide it"), pale},
}

// verdictOf returns how a verdict is shown, its word in the language.
func (v say) verdictOf(code string) verdict {
	is := verdicts[len(verdicts)-1]
	if i := slices.IndexFunc(verdicts, func(is verdict) bool { return is.Code == code }); i >= 0 {
		is = verdicts[i]
	}
	is.Word = v.T(is.Word)
	return is
}

// verdictKey says what the marks of those verdicts mean that occur.
func (v say) verdictKey(rows ...limitRow) string {
	var parts []string
	for _, is := range verdicts {
		if slices.ContainsFunc(rows, func(l limitRow) bool { return l.Verdict.Code == is.Code }) {
			parts = append(parts, v.T(is.means))
		}
	}
	return strings.Join(parts, "   ")
}

// LimitHead are the heads of the table of limits.
func (v say) LimitHead() []string {
	return []string{v.T("Grade"), v.T("What is limited"), v.T("Limit"), v.T("Found"), v.T("95 %% interval"), v.T("Verdict")}
}

// ShareHead are the heads of the table of shares.
func (v say) ShareHead() []string {
	return []string{"", v.T("Kernels"), v.T("By mass"), v.T("95 %% interval"), v.T("By count"), v.T("95 %% interval")}
}

// Letter returns the letter by which a class is told apart without colour;
// empty for head kernels.
func Letter(c grading.Class) string { return lookOf(c).letter }

// Visible makes text of people's own harmless and visible: characters that are
// not seen, or that turn the direction of what follows, become U+FFFD. Breaks of
// lines stay.
func Visible(s string) string {
	return strings.Map(func(r rune) rune {
		if r != '\n' && (unicode.IsControl(r) || r >= 0x2028 && r <= 0x202e || r >= 0x2066 && r <= 0x2069) {
			return '\ufffd'
		}
		return r
	}, s)
}
