package mill

import "strings"

// A Setting is what to look at first on a machine that does harm.
type Setting struct {
	Machine string
	Look    string
	Source  string
}

const noSource = "common practice, no source"

// settings lists machines by the words that their names hold. The first that
// fits counts.
var settings = []struct {
	words []string
	Setting
}{
	{[]string{"husk", "hull", "shell"}, Setting{"husker", "the gap of its rolls, and how many return: let some paddy pass and come back rather than close the gap; then the paddy's moisture", noSource}},
	{[]string{"whiten", "abras", "cone"}, Setting{"whitener", "the load on its outlet (counterweight or brake) and the feed: less load on each pass, more passes; then how warm the rice leaves", noSource}},
	{[]string{"polish", "frict", "mist"}, Setting{"polisher", "the load on its outlet, then the water: too little water or too high a load breaks", noSource}},
	{[]string{"dry", "bin", "silo"}, Setting{"dryer", "how fast the moisture came down and how long the paddy rested: dried too fast it cracks, and breaks later. 14 % is ideal for milling", "14 %: IRRI Rice Knowledge Bank, milling; the rest " + noSource}},
	{[]string{"elevat", "convey", "lift", "drop"}, Setting{"conveying", "the height of drops and the speed of buckets", noSource}},
	{[]string{"length", "indent", "trieur", "grader"}, Setting{"length grader", "the edge of its catch trough: higher sends less to the brokens; then the feed, then the size of the indents", noSource}},
	{[]string{"sort", "colour", "color", "optic"}, Setting{"colour sorter", "the sensitivity, then the length of the air blast and the feed on each chute", noSource}},
}

// LookFirst returns the setting to look at first on a machine, by its name as
// typed. ok is false where the name tells nothing.
func LookFirst(name string) (s Setting, ok bool) {
	name = strings.ToLower(name)
	for _, x := range settings {
		for _, w := range x.words {
			if strings.Contains(name, w) {
				return x.Setting, true
			}
		}
	}
	return Setting{}, false
}
