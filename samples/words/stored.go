package words

import (
	"cmp"
	"regexp"
	"slices"
	"strings"
	"sync"
)

// stored are texts that the program writes into records, in English, with what
// differs as %s: outcomes, limits and names of factors, and what to bear in mind.
// TestStored holds them to what grading and vision write.
var stored = []string{
	// Outcomes.
	Key("not assessed"), Key("within %s"), Key("nothing assessed is outside %s"), Key("not better than %s"), Key("grade %s"),
	Key("%s (by limits in part %s)"), Key("from memory"), Key("restated"), Key("%s %% broken"), Key("over %s %% broken"), Key("no whole-kernel length"),
	// Limits and what was found of them.
	Key("none"), Key("present"), Key("at most %s"), Key("under %s"), Key("at least %s"), Key("over %s"), Key("%s per kg"), Key("%s per 500 g"), Key("%s per 100 g"), Key("%s %%"),
	// Factors that several standards have, and the pieces.
	Key("broken"), Key("whole"), Key("head"), Key("moisture"), Key("chalky kernels"), Key("damaged kernels"), Key("whole kernels"), Key("paddy"), Key("milling degree"),
	Key("foreign matter"), Key("total broken kernels"), Key("red rice and damaged kernels"), Key("red kernels"), Key("yellow kernels"), Key("weevils and other insects"),
	Key("objectionable seeds"), Key("musty"), Key("heat-damaged kernels"), Key("head rice"), Key("foreign material"), Key("brokens"), Key("broken kernels"),
	Key("small broken"), Key("medium broken"), Key("large broken"), Key("fragments"), Key("discoloured kernels"), Key("chips"), Key("live insects"), Key("other types"),
	Key("white glutinous rice"), Key("red-streaked kernels"), Key("immature kernels"), Key("odour"), Key("colour"), Key("small broken kernels"),
	// Ends of kernels and measures of length.
	Key("intact"), Key("unknown"), Key("caliper"), Key("axis"),
	// Why something is not assessed, and notes on limits.
	Key("no picture was given, and it was not weighed"), Key("not on the sample sheet"), Key("no picture shows it; by hand"), Key("this picture does not show it"), Key("no scale: lengths in millimetres are not known"),
	Key("the picture does not show it"), Key("the limit is not known here"), Key("the whole-kernel length is not told"),
	Key("no scale, and chips are told by a sieve hole in millimetres; they are among the small brokens"),
	Key("not asked for: %s does its work"), Key("seen in part, %s: %s"), Key("suspects only, %s: %s"), Key("found %s in %s of rice; the limit is for %s g"),
	Key("look the limit up in the printed standard"), Key("outlines stood in for a sieve; sieve it by hand"),
	Key("the whole-kernel length rests on about %s kernels, the standard asks for %s"),
	// Doubts, and what to do about them.
	Key("the picture is blurred: edges spread over %s pixels, %s %% of a kernel's width"), Key("clean the glass, focus, hold the camera still; scan at the scanner's true optical resolution"),
	Key("kernels are only %s pixels wide; small brokens are measured roughly"), Key("scan at 300 dpi or more"),
	Key("kernels stand out little from the tray: %s grey values over a spread of %s"), Key("use a darker, plainer tray and more light"),
	Key("whole kernels would be %s mm long by this scale, and rice has %s to %s mm"), Key("check where the scale comes from: --dpi, --scale, --coin, the card, or the resolution stored in the picture"),
	Key("the picture is too bright: %s %% of the kernels' pixels are at the top of the range"), Key("take it again with less light or a shorter exposure; chalk and whiteness cannot be told in burnt-out places"),
	Key("the trays differ in their broken share by more than chance explains"), Key("mix and divide the sample again before spreading it; five trays or more give an interval that allows for it"),
	Key("%s pieces were left out because the picture's edge cuts them; it cuts long ones more often, so broken reads a little high"), Key("spread the sample clear of the picture's edge"),
	Key("%s touching groups were not taken apart; every interval is widened by their %s %% of the rice"), Key("part these kernels on the tray and scan again"),
	Key("of %s pieces that lie partly under others it cannot be told whether they are whole; every interval is widened by them"),
	Key("the whole-kernel length rests on about %s unbroken kernels"), Key("scan more of the sample; the usual reference is the mean of two sets of 100 (ISO 11746)"),
	Key("two lengths are frequent, %s and %s %s"), Key("if the sample mixes two kinds of rice no single length fits; give the one to go by with --whole-length or --whole-from"),
	Key("the colour of pieces that were parted, joined or outlined by hand is not assessed: %s"), Key("give them the flags that they have"),
	// Doubts about the scale and the lengths.
	Key("stored resolution (%s, %s)"),
	Key("the stored resolution of %s (%s) comes from a camera and is not a scale"),
	Key("the stored resolution of %s (%s) is a placeholder, not a scale"),
	Key("state the resolution of the scan, or lay a tray card beside the kernels"),
	Key("the whole-kernel length cannot be told from this sample (%s): whole and broken are told by the tips alone, and no size class"),
	Key("give a picture of picked whole kernels with --whole-from"),
	Key("give the whole-kernel length with --whole-length, or a picture of picked whole kernels with --whole-from"),
	Key("unbroken kernels scatter by %s %% of their length, more than one kind of rice usually does"),
	Key("%s pieces are longer than %s times the usual kernel and were kept out of the whole-kernel length"),
	Key("look at them in the overlay: they may be kernels lying end to end"),
	Key("the given whole-kernel length is %s %s, the sample's own unbroken kernels have %s %s"),
	Key("check that the length belongs to this rice and that the scale is right"),
	Key("the mass stated, %s g, cannot be that of the rice in the pictures, about %s g by its volume"),
	Key("red streaks thinner than %s mm are not all seen at %s pixels per mm"),
	Key("scan at 300 dpi or more to have red-streaked kernels assessed"),
	Key("a large thing that is no rice lies in the picture"),
	Key("clear the tray of it, or crop the picture"),
	Key("the scale given, %s dpi, is not the %s"),
	Key("give the scale of the picture as it is, or leave it out"),
	Key("the coin's face lies above the tray by the coin's thickness, so that in a photo the scale reads too large and lengths too short: by %s %% for a coin %s mm thick seen from %s mm"),
	Key("take a thin coin, hold the camera farther away and zoom in, or use the printed card; a scan is free of this"),
	Key("%s large things that are no rice lie in the picture"),
	Key("hold the camera straight above the middle of the card, farther away, and zoom in"),
	Key("kernels are seen up to %s° from the side; lengths are corrected for it, cut faces only roughly"),
	// Pictures that are not at hand.
	Key("the file was moved"), Key("the file was changed since the sample was measured"), Key("the picture cannot be opened: %s"), Key("the picture is not at hand"),
}

// A pattern finds a stored text and what differs in it.
type pattern struct {
	key string
	re  *regexp.Regexp
}

// patterns are those of stored, what holds most of its own letters first.
var patterns = sync.OnceValue(func() []pattern {
	var out []pattern
	for _, key := range stored {
		re := strings.ReplaceAll(regexp.QuoteMeta(strings.ReplaceAll(key, "%%", "%")), "%s", "(.+)")
		out = append(out, pattern{key, regexp.MustCompile("^" + re + "$")})
	}
	slices.SortStableFunc(out, func(a, b pattern) int { return cmp.Compare(len(b.key), len(a.key)) })
	return out
})

var decimal = regexp.MustCompile(`^-?\d+\.\d+$`)

// Said returns what the program wrote into a record in English, in the language
// of w; what it does not know, like the words of a contract, stays as it is. Parts
// between semicolons are looked up one by one.
func (w *Words) Said(english string) string {
	if w = w.orEnglish(); w == all()[0] || english == "" {
		return english
	}
	if decimal.MatchString(english) {
		return strings.Replace(english, ".", w.point, 1)
	}
	for _, p := range patterns() {
		m := p.re.FindStringSubmatch(english)
		if m == nil {
			continue
		}
		var values []any
		for _, v := range m[1:] {
			values = append(values, w.Said(v))
		}
		return w.T(p.key, values...)
	}
	if parts := strings.Split(english, "; "); len(parts) > 1 {
		for i := range parts {
			parts[i] = w.Said(parts[i])
		}
		return strings.Join(parts, "; ")
	}
	return english
}
