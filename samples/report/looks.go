package report

import (
	"traytally/grading"
	"traytally/grading/chart"
	"traytally/samples/words"
)

// A look is how a class of kernels is drawn. Colours: M. Okabe and K. Ito,
// Color Universal Design, J*FLY, 2008, told apart by every kind of colour
// vision; letters tell them apart without colour.
type look struct {
	class  grading.Class
	name   string
	letter string
	colour chart.Colour
	width  float64 // of the outline, in kernel widths
}

// Colours of the report beside those of charts.
var (
	ground chart.Colour = 0xf3f5f7
	bar    chart.Colour = 0x9fb4c7 // unbroken kernels in the histogram
	darkBG chart.Colour = 0x141820

	ink, pale, rule, stop, good, doubt = chart.Ink, chart.Pale, chart.Rule, chart.Stop, chart.Good, chart.Doubt
)

var looks = []look{
	{grading.Head, words.Key("head"), "", 0x56b4e9, 0.06},
	{grading.LargeBroken, words.Key("large broken"), "L", 0xe69f00, 0.15},
	{grading.MediumBroken, words.Key("medium broken"), "M", 0xd55e00, 0.15},
	{grading.SmallBroken, words.Key("small broken"), "S", 0xcc79a7, 0.15},
	{grading.Chip, words.Key("chip"), "C", 0xf0e442, 0.15},
	{grading.AnyBroken, words.Key("broken"), "B", 0xd55e00, 0.15},
	{grading.Untold, words.Key("not told"), "?", 0x999999, 0.15},
	{grading.ForeignBody, words.Key("not rice"), "X", 0x009e73, 0.15},
}

func lookOf(c grading.Class) *look {
	for i := range looks {
		if looks[i].class == c {
			return &looks[i]
		}
	}
	return &looks[len(looks)-1]
}

// A legendItem is a class or flag with how many kernels have it.
type legendItem struct {
	Class, Name, Letter string
	Colour              chart.Colour
	N                   int
}

// legendOf counts the kernels of each class that occurs.
func (v say) legendOf(rows []grading.KernelRow) (out []legendItem) {
	for _, l := range looks {
		it := legendItem{Class: string(l.class), Name: v.T(l.name), Letter: l.letter, Colour: l.colour}
		for i := range rows {
			if rows[i].Class == l.class {
				it.N++
			}
		}
		if it.N > 0 {
			out = append(out, it)
		}
	}
	return out
}

// flagColours are for the colour plot and the gallery.
var flagColours = map[string]chart.Colour{
	"chalky": 0x56b4e9, "yellow": 0xe69f00, "red": 0xd55e00,
	"red_streaked": 0xcc79a7, "damaged": 0x0072b2, "paddy": 0x009e73, "odd": 0x808080, "foreign": 0x000000,
}
