package chart

import (
	"bytes"
	"encoding/xml"
	"io"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestTicks(t *testing.T) {
	for _, c := range []struct {
		lo, hi float64
		n      int
		want   []float64
	}{
		{0, 10, 5, []float64{0, 2, 4, 6, 8, 10}},
		{-0.5, 1.5, 4, []float64{-0.5, 0, 0.5, 1, 1.5}},
		{0.3, 99, 4, []float64{25, 50, 75}},
		{3, 3, 5, nil},
	} {
		assert.InDeltaSlice(t, c.want, Ticks(c.lo, c.hi, c.n), 1e-12, "%v", c)
	}
}

// A plot 100 mm wide and 50 high of 0 to 10 by 20 to 40: places by hand, names of
// rows and columns, and text that stays text.
func TestPlot(t *testing.T) {
	var s SVG
	p := Plot{Canvas: &s, Left: 10, Right: 110, Top: 5, Bottom: 55, X1: 10, Y0: 20, Y1: 40}
	assert.Equal(t, 35.0, p.X(2.5))
	assert.Equal(t, 42.5, p.Y(25))
	p.Rows(4, false)
	p.Columns(5, "<b> & more")
	p.Level(30, "limit", Stop, 1)
	s.Path([][2]float64{{p.X(0), p.Y(20)}, {p.X(10), p.Y(40)}}, 0.5, Ink, 0)
	var b bytes.Buffer
	require.NoError(t, s.Document(&b, 110, 65, `a "title"`))
	var texts []string
	count := map[string]int{}
	for d, name := xml.NewDecoder(&b), ""; ; {
		tok, err := d.Token()
		if err == io.EOF {
			break
		}
		require.NoError(t, err)
		switch tok := tok.(type) {
		case xml.StartElement:
			name = tok.Name.Local
			count[name]++
			if name == "path" {
				assert.Equal(t, "M10.00,55.00 L110.00,5.00", tok.Attr[0].Value)
			}
		case xml.CharData:
			if name == "text" || name == "title" {
				texts = append(texts, string(tok))
			}
		}
	}
	assert.Equal(t, []string{`a "title"`, "20", "25", "30", "35", "40", "0", "2", "4", "6", "8", "10", "<b> & more", "limit"}, texts[:14])
	assert.Equal(t, 5+6+1+1, count["line"], "rows, columns, axis and limit")
}
