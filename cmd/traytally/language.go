package main

import (
	"fmt"
	"strings"

	"github.com/spf13/pflag"

	"traytally/samples/words"
)

// A languageFlag names the language of reports and labels.
type languageFlag struct{ language string }

func languageTags() []string {
	var tags []string
	for _, l := range words.Languages() {
		tags = append(tags, l.Tag)
	}
	return tags
}

func (l *languageFlag) add(f *pflag.FlagSet) {
	f.StringVar(&l.language, "language", "en", "`LANGUAGE` of what is written for people: "+strings.Join(languageTags(), ", "))
}

// words returns the words of the language; all but English are marked as not yet
// checked by a native speaker.
func (l *languageFlag) words() (*words.Words, error) {
	base, _, _ := strings.Cut(l.language, "-") // es-MX is written in es
	w := words.In(l.language)
	if !strings.EqualFold(w.Tag(), base) {
		return nil, usageError(fmt.Sprintf("there are no words in the language %q", l.language), "--language "+strings.Join(languageTags(), ", "))
	}
	return w, nil
}
