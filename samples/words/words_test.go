package words

import (
	"encoding/json"
	"io/fs"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestIn(t *testing.T) {
	for asked, want := range map[string]string{
		"": "en", "en": "en", "es": "es", "es-MX,en;q=0.5": "es", "pt-BR": "pt", "zh-TW": "zh", "de": "en", "de,fr;q=0.5": "fr",
		"fr;q=0.2, vi;q=0.9": "vi", "in": "id", "not a tag": "en", "hi-IN": "hi", "*": "en",
	} {
		assert.Equal(t, want, In(asked).Tag(), asked)
	}
	var none *Words
	assert.Equal(t, "en", none.Tag())
	assert.Equal(t, "0.5", none.Number(0.5, 1))
	assert.Empty(t, none.Note())
	for _, l := range Languages() {
		assert.Equal(t, l.Checked, In(l.Tag).Note() == "", l.Tag)
	}
}

func TestT(t *testing.T) {
	w := &Words{tongue: tongues[2], tag: all()[2].tag, point: ",", messages: map[string]forms{
		"%d kernels": {"one": "%d grain", "other": "%d grains"}, "%s of %d": {"other": "%[2]d : %[1]s"}, "empty": {"other": ""},
	}}
	assert.Equal(t, "0 grain", w.T("%d kernels", 0), "French: 0 and 1 are one, CLDR")
	assert.Equal(t, "1 grain", w.T("%d kernels", 1))
	assert.Equal(t, "2 grains", w.T("%d kernels", 2))
	assert.Equal(t, "3 : a", w.T("%s of %d", "a", 3))
	assert.Equal(t, "empty", w.T("empty"))
	assert.Equal(t, "95 % missing b", w.T("95 %% missing %s", "b"))
}

func TestNumber(t *testing.T) {
	for _, c := range []struct {
		tag      string
		v        float64
		decimals int
		want     string
	}{
		{"en", 6.35, 1, "6.3"}, {"en", 12345.5, -1, "12345.5"}, {"es", 6.44, 1, "6,4"}, {"fr", -0.5, 1, "-0,5"}, {"vi", 3, 2, "3,00"}, {"id", 0.25, -1, "0,25"},
		{"pt", 7, 0, "7"}, {"th", 1.5, 1, "1.5"}, {"hi", 1.5, 1, "1.5"}, {"zh", 1.5, 1, "1.5"},
		{"en", math.NaN(), 1, "–"}, {"en", math.Inf(1), 1, "–"}, {"es", -0.001, 1, "0,0"}, {"en", math.Copysign(0, -1), -1, "0"},
	} {
		assert.Equal(t, c.want, In(c.tag).Number(c.v, c.decimals), "%v", c)
	}
}

func TestTimes(t *testing.T) {
	at := time.Date(2026, 11, 24, 9, 30, 5, 0, time.FixedZone("", 7*3600))
	for tag, want := range map[string][2]string{
		"en": {"2026-11-24", "2026-11-24 09:30 +07:00"}, "id": {"24/11/2026", "24/11/2026 09.30 +07:00"}, "th": {"24/11/2026", "24/11/2026 09:30 +07:00"},
	} {
		w := In(tag)
		assert.Equal(t, want, [2]string{w.Date(at), w.DateTime(at)}, tag)
		assert.Equal(t, want[0], w.DateTime(at.Truncate(24*time.Hour).Add(-7*time.Hour)), "a day alone")
		assert.Empty(t, w.Date(time.Time{})+w.DateTime(time.Time{})+w.Clock(time.Time{}))
	}
	assert.Equal(t, at.Local().Format("15.04"), In("id").Clock(at))
}

// The script in a browser says what Go says.
func TestScript(t *testing.T) {
	node, err := exec.LookPath("node")
	if err != nil {
		t.Skip("no node here: apt-get install nodejs")
	}
	for _, w := range all() {
		raw, err := json.Marshal(w)
		require.NoError(t, err)
		out, err := exec.Command(node, "-e", Script+`const {t, number} = wordsIn(JSON.parse(process.argv[1]));
process.stdout.write([t("%d kernels", 0), t("%d kernels", 1), t("%d kernels", 2), t("translation not yet checked by a native speaker"), t("%% %[2]s %[1]d", 7, "x"), number(-0.04, 1), number(1.25, -1), number(NaN, 1)].join("\n"))`, string(raw)).Output()
		require.NoError(t, err)
		want := w.T("%d kernels", 0) + "\n" + w.T("%d kernels", 1) + "\n" + w.T("%d kernels", 2) + "\n" + w.T("translation not yet checked by a native speaker") + "\n" +
			w.T("%% %[2]s %[1]d", 7, "x") + "\n" + w.Number(-0.04, 1) + "\n" + w.Number(1.25, -1) + "\n–"
		assert.Equal(t, want, string(out), w.Tag())
	}
}

// What is stored in English is found again, whatever was filled in.
func TestSaid(t *testing.T) {
	es := In("es")
	for stored, want := range map[string]string{
		"not better than grade 5 %":                  es.T("not better than %s", es.T("grade %s", "5 %")),
		"U.S. No. 4 (by limits in part from memory)": es.T("%s (by limits in part %s)", "U.S. No. 4", es.T("from memory")),
		"at most 4.5 %":                              es.T("at most %s", "4,5 %"),
		"0.52 %":                                     "0,52 %", "12 per kg": es.T("%s per kg", "12"), "none": es.T("none"),
		"over 25 % broken": es.T("over %s %% broken", "25"),
		"found 2 in 20 g of rice; the limit is for 1000 g": es.T("found %s in %s of rice; the limit is for %s g", "2", "20 g", "1000"),
		"words of a contract":                              "words of a contract", "": "",
		// As it was written of one until 2026, and as it is since.
		"1 touching groups were not taken apart; every interval is widened by their 1.5 % of the rice": "no se separó 1 grupo en contacto; cada intervalo se amplía por su 1,5 % del arroz",
		"1 touching group was not taken apart; every interval is widened by its 1.5 % of the rice":     "no se separó 1 grupo en contacto; cada intervalo se amplía por su 1,5 % del arroz",
		"2 touching groups were not taken apart; every interval is widened by their 1.5 % of the rice": "no se separaron 2 grupos en contacto; cada intervalo se amplía por su 1,5 % del arroz",
		"the picture does not show it; words of a contract":                                            es.T("the picture does not show it") + "; words of a contract",
	} {
		assert.Equal(t, want, es.Said(stored), stored)
		assert.Equal(t, stored, In("en").Said(stored))
	}
}

// Every text that Said knows is still written somewhere.
func TestStored(t *testing.T) {
	var sources []byte
	for _, dir := range []string{"../../grading", "../../vision", "../report", "../../cmd/traytally"} {
		require.NoError(t, filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
			if ext := filepath.Ext(path); err == nil && (ext == ".go" && !strings.HasSuffix(path, "_test.go") || ext == ".yaml") {
				src, err := os.ReadFile(path)
				sources = append(sources, src...)
				return err
			}
			return err
		}))
	}
	verbs := regexp.MustCompile(`%[-+0]*\d*(?:\.(?:\d+|\*))?[a-z]`)
	written := verbs.ReplaceAllString(strings.ReplaceAll(string(sources), "%%", "%"), "%s")
	for _, key := range stored() {
		for _, text := range []string{key, all()[0].messages[key]["one"]} {
			for _, part := range verbs.Split(strings.ReplaceAll(text, "%%", "%"), -1) {
				assert.True(t, strings.Contains(written, strings.TrimSpace(part)), "nothing writes %q any more", text)
			}
		}
	}
}
