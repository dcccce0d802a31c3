// Package words is the catalogue of the words that people read in reports, on
// labels and on pages, in several languages.
//
// A message is called by its English text, which holds the verbs of package
// fmt, also where there are no values to fill in ("95 %% interval"):
//
//	w := words.In("es")
//	w.T("%d kernels", 3) // "3 granos"
//
// What a language lacks is said in English. Texts for machines, JSON and CSV, do
// not come from here.
package words

import (
	"embed"
	"encoding/json"
	"fmt"
	"math"
	"strconv"
	"strings"
	"sync"
	"time"

	"golang.org/x/text/feature/plural"
	"golang.org/x/text/language"
	"golang.org/x/text/message"
	"golang.org/x/text/number"
)

// A Language is one that the catalogue holds.
type Language struct {
	Tag  string // BCP 47
	Name string // in its own words
	// Checked says that a native speaker has read the words.
	Checked bool
}

// A tongue is a language with how it writes dates and times.
type tongue struct {
	Language
	date, clock string // layouts of package time
}

// Orders of date and time: Unicode CLDR 44, short forms with the year in full,
// from memory; English and Chinese as ISO 8601. Thai too counts the years of the
// Common Era, which cannot be taken for Buddhist ones, so that the figures are
// those of the register and of papers in other languages. All count 24 hours.
var tongues = []tongue{
	{Language{"en", "English", true}, "2006-01-02", "15:04"},
	{Language{"es", "español", false}, "02/01/2006", "15:04"},
	{Language{"fr", "français", false}, "02/01/2006", "15:04"},
	{Language{"pt", "português", false}, "02/01/2006", "15:04"},
	{Language{"th", "ไทย", false}, "02/01/2006", "15:04"},
	{Language{"vi", "Tiếng Việt", false}, "02/01/2006", "15:04"},
	{Language{"id", "Bahasa Indonesia", false}, "02/01/2006", "15.04"},
	{Language{"hi", "हिन्दी", false}, "02/01/2006", "15:04"},
	{Language{"zh", "中文", false}, "2006-01-02", "15:04"},
}

// Languages lists the languages, English first.
func Languages() []Language {
	out := make([]Language, len(tongues))
	for i, t := range tongues {
		out[i] = t.Language
	}
	return out
}

// Words are the words of one language. A nil one speaks English.
type Words struct {
	tongue
	tag      language.Tag
	point    string // between the whole and its decimals
	messages map[string]forms
}

//go:embed *.json
var files embed.FS

// all holds the words of every language, in the order of tongues.
var all = sync.OnceValue(func() []*Words {
	out := make([]*Words, len(tongues))
	for i, t := range tongues {
		w := &Words{tongue: t, tag: language.MustParse(t.Tag)}
		half := message.NewPrinter(w.tag).Sprint(number.Decimal(0.5)) // "0,5" as CLDR has it
		w.point = strings.Trim(half, "05")
		raw, err := files.ReadFile(t.Tag + ".json")
		if err == nil {
			err = json.Unmarshal(raw, &w.messages)
		}
		if err != nil {
			panic(fmt.Sprintf("words: %s.json: %v", t.Tag, err)) // a test reads all of them
		}
		out[i] = w
	}
	return out
})

var matcher = sync.OnceValue(func() language.Matcher {
	tags := make([]language.Tag, len(tongues))
	for i, t := range tongues {
		tags[i] = language.MustParse(t.Tag)
	}
	return language.NewMatcher(tags)
})

// In returns the words of the language that fits best: tag is a BCP 47 tag or
// what a browser sends as Accept-Language. Where none fits they are English.
func In(tag string) *Words {
	asked, _, err := language.ParseAcceptLanguage(tag)
	if err != nil || len(asked) == 0 {
		return all()[0]
	}
	_, i, sure := matcher().Match(asked...)
	if sure == language.No {
		return all()[0]
	}
	return all()[i]
}

func (w *Words) orEnglish() *Words {
	if w == nil {
		return all()[0]
	}
	return w
}

// Tag returns the language, as BCP 47 has it.
func (w *Words) Tag() string { return w.orEnglish().tongue.Tag }

// Key returns its text: it marks a message that is called by a variable
// elsewhere, so that the catalogue has it.
func Key(english string) string { return english }

// forms are a message by the plural category of its first whole number ("one",
// "other"), or under "other" alone.
type forms map[string]string

// UnmarshalJSON reads a text, or an object of texts by their category.
func (f *forms) UnmarshalJSON(data []byte) error {
	var text string
	if json.Unmarshal(data, &text) == nil {
		*f = forms{"other": text}
		return nil
	}
	return json.Unmarshal(data, (*map[string]string)(f))
}

// MarshalJSON writes what UnmarshalJSON reads.
func (f forms) MarshalJSON() ([]byte, error) {
	if text, alone := f["other"]; alone && len(f) == 1 {
		return json.Marshal(text)
	}
	return json.Marshal(map[string]string(f))
}

var categories = map[plural.Form]string{plural.Zero: "zero", plural.One: "one", plural.Two: "two", plural.Few: "few", plural.Many: "many", plural.Other: "other"}

// category returns the plural category of n things.
func category(tag language.Tag, n int) string {
	if n < 0 {
		n = -n
	}
	return categories[plural.Cardinal.MatchPlural(tag, n, 0, 0, 0, 0)]
}

// text returns the message for n things, else its English.
func (w *Words) text(english string, n int, counted bool) string {
	for _, in := range [...]*Words{w, all()[0]} { // English has a text of its own where one thing differs
		f := in.messages[english]
		if t := f[category(in.tag, n)]; counted && t != "" {
			return t
		}
		if t := f["other"]; t != "" {
			return t
		}
	}
	return english
}

// T returns the message whose English is the given one, with the values filled
// in. Where the number of things matters the first whole number among the
// values, an int, decides.
func (w *Words) T(english string, a ...any) string {
	n, counted := 0, false
	for _, v := range a {
		if n, counted = v.(int); counted {
			break
		}
	}
	return fmt.Sprintf(w.orEnglish().text(english, n, counted), a...)
}

// Number writes a number with so many decimals, or with -1 as few as it needs,
// with the language's decimal point or comma. What is not a number is a dash.
func (w *Words) Number(v float64, decimals int) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return "–"
	}
	s := strconv.FormatFloat(v, 'f', decimals, 64)
	if strings.Trim(s, "-0.") == "" { // never -0
		s = strings.TrimPrefix(s, "-")
	}
	return strings.Replace(s, ".", w.orEnglish().point, 1)
}

// Date writes the day of t in the place of t; "" for the zero time.
func (w *Words) Date(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.Format(w.orEnglish().date)
}

// DateTime writes day, time and zone of t as they were stated: a day alone where
// it is midnight to the second, as the register keeps a day; "" for the zero
// time.
func (w *Words) DateTime(t time.Time) string {
	if h, m, s := t.Clock(); t.IsZero() || h == 0 && m == 0 && s == 0 {
		return w.Date(t)
	}
	return t.Format(w.orEnglish().date + " " + w.orEnglish().clock + " -07:00")
}

// Clock writes the time of day of t by the clock of this machine; "" for the
// zero time.
func (w *Words) Clock(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.Local().Format(w.orEnglish().clock)
}

// Note says that the words were not yet checked by a native speaker; "" where
// they were.
func (w *Words) Note() string {
	if w.orEnglish().Checked {
		return ""
	}
	return w.T("translation not yet checked by a native speaker")
}

// MarshalJSON writes the language, its decimal point and its messages, for
// Script.
func (w *Words) MarshalJSON() ([]byte, error) {
	w = w.orEnglish()
	messages := map[string]forms{}
	for english, f := range all()[0].messages {
		messages[english] = f
	}
	for english, f := range w.messages {
		messages[english] = f
	}
	return json.Marshal(map[string]any{"tag": w.tongue.Tag, "point": w.point, "messages": messages})
}

// Script defines in a browser what T and Number are here: with the JSON of Words
//
//	const {t, number} = wordsIn(JSON);
//	t("%d kernels", 3)
//
//go:embed words.js
var Script string
