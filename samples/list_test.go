package samples_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"traytally/samples"
)

func TestParseList(t *testing.T) {
	got, err := samples.ParseList("list.csv", []byte("\ufeffpicture,code,lot,drawn,moisture_pct,by_hand.chalky,note\n"+
		"# a remark\n"+
		"a.png,K-1,L-1,2026-11-24T09:30:00+07:00,13.2,1.5,\"one, two\"\n"+
		"b.png,K-1\n"+
		"\n"+
		"c.png,,L-2\n"+
		"d.png,,L-2\n"))
	require.NoError(t, err)
	require.Len(t, got, 3)
	assert.Equal(t, []string{"a.png", "b.png"}, got[0].Pictures)
	assert.Equal(t, "one, two", got[0].Facts.Note)
	assert.Equal(t, 13.2, *got[0].Facts.Sheet.MoisturePct)
	assert.Equal(t, 1.5, got[0].Facts.Sheet.ByHand["chalky"].Number)
	assert.Equal(t, "2026-11-24T09:30:00+07:00", got[0].Facts.Drawn.Format("2006-01-02T15:04:05-07:00"))
	assert.Equal(t, []string{"d.png"}, got[2].Pictures, "no code, no pooling")
	assert.Nil(t, got[2].Facts.Sheet)
}

// In much of Europe and South America spreadsheets part fields at semicolons,
// because the comma is decimal there.
func TestParseListOfOtherPlaces(t *testing.T) {
	got, err := samples.ParseList("list.csv", []byte("\ufeff# a remark, with commas, many\nPicture;CODE;Moisture_PCT; By_Hand.chalky ;note\na.png;K-1;13,2;1,25;one, two\n"))
	require.NoError(t, err)
	require.Len(t, got, 1)
	assert.Equal(t, "one, two", got[0].Facts.Note)
	assert.Equal(t, 13.2, *got[0].Facts.Sheet.MoisturePct)
	assert.Equal(t, 1.25, got[0].Facts.Sheet.ByHand["chalky"].Number)
	got, err = samples.ParseList("list.csv", []byte("PICTURE,sample_mass_g\na.png,\"25,4\"\n"))
	require.NoError(t, err)
	assert.Equal(t, 25.4, *got[0].Facts.Sheet.SampleMassG)
}

func TestParseListRefuses(t *testing.T) {
	for _, test := range []struct{ name, list, want string }{
		{"empty", "", "list.csv:1: the list is empty"},
		{"head only", "picture\n", "list.csv:1: no sample is listed"},
		{"no picture column", "code\nK-1\n", "list.csv:1: no column is named picture"},
		{"slip", "picture,vareity\n", `list.csv:1: there is no column "vareity"`},
		{"twice", "picture,lot,lot\n", `list.csv:1: two columns are named "lot"`},
		{"no picture", "picture,lot\n,L-1\n", "list.csv:2: no picture"},
		{"same picture", "picture\na.png\n./a.png\n", "list.csv:3: ./a.png stands in row 2"},
		{"too many fields", "picture\na.png,b\n", "list.csv:2: 2 fields"},
		{"date", "picture,drawn\na.png,24.11.2026\n", `list.csv:2: "24.11.2026" is no date`},
		{"moisture", "picture,moisture_pct\na.png,0.13\n", "list.csv:2: moisture_pct: moisture of 0.13 % is a fraction"},
		{"code", "picture,code\na.png,../x\n", `list.csv:2: "../x" cannot be the code`},
		{"other facts", "picture,code,lot\na.png,K,L-1\nb.png,K,L-2\n", "list.csv:3: K has other facts in row 2"},
		{"case", "picture,code\na.png,k-1\nb.png,K-1\n", "list.csv:3: the code K-1 is k-1 in row 2 but for case"},
		{"quotes", "picture,lot\na.png,\"x\n", "list.csv:"},
		{"commas in the rows alone", "picture;lot;note\na.png;x;y;z\n", "list.csv:2: 4 fields"},
		{"thousands, or not", "picture;sample_mass_g\na.png;1,250\n", "list.csv:2: sample_mass_g"},
		{"case of the head", "picture,Lot,LOT\n", `two columns are named "lot"`},
	} {
		t.Run(test.name, func(t *testing.T) {
			_, err := samples.ParseList("list.csv", []byte(test.list))
			wantError(t, err, nil, test.want)
		})
	}
}

// Whatever the bytes, a list is read or refused, and what is read is sound.
func FuzzParseList(f *testing.F) {
	f.Add([]byte("picture,code,lot,drawn,moisture_pct\na.png,K-1,L-1,2026-11-24,13.2\nb.png,K-1\n"))
	f.Add([]byte("picture;lot\n"))
	f.Add([]byte("picture,by_hand.colour\na,white\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		list, err := samples.ParseList("list.csv", data)
		if err != nil {
			assert.Empty(t, list)
			return
		}
		for _, l := range list {
			assert.NotEmpty(t, l.Pictures)
			assert.NoError(t, l.Facts.Validate())
			assert.False(t, strings.Contains(l.Code, "/"))
		}
	})
}
