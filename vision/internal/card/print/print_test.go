package print

import (
	"bytes"
	"encoding/xml"
	"fmt"
	"io"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"traytally/vision/internal/card"
)

func eachSheet(t *testing.T, do func(*testing.T, page)) {
	for _, l := range card.Layouts {
		for _, p := range card.Papers {
			for _, open := range []bool{false, true} {
				if open && !l.HasField() {
					continue
				}
				t.Run(fmt.Sprint(l.Name, " ", p.Name, " ", open), func(t *testing.T) {
					do(t, page{l, p, open})
				})
			}
		}
	}
}

type element struct {
	name string
	attr map[string]string
	text string
}

func (e element) number(t *testing.T, name string) float64 {
	v, err := strconv.ParseFloat(e.attr[name], 64)
	require.NoError(t, err, "%s of %v", name, e)
	return v
}

// parse reads an SVG as any XML reader does.
func parse(t *testing.T, data []byte) []element {
	var out []element
	d := xml.NewDecoder(bytes.NewReader(data))
	for {
		tok, err := d.Token()
		if err == io.EOF {
			return out
		}
		require.NoError(t, err)
		switch tok := tok.(type) {
		case xml.StartElement:
			e := element{tok.Name.Local, map[string]string{}, ""}
			for _, a := range tok.Attr {
				e.attr[a.Name.Local] = a.Value
			}
			out = append(out, e)
		case xml.CharData:
			out[max(0, len(out)-1)].text += string(tok)
		}
	}
}

// The SVG is 1:1: its size is that of the paper, in mm, and so is its unit.
// Marks and dots lie at their places relative to the first mark.
func TestSVG(t *testing.T) {
	eachSheet(t, func(t *testing.T, o page) {
		var b, again bytes.Buffer
		require.NoError(t, o.svg(&b))
		require.NoError(t, o.svg(&again))
		assert.Equal(t, b.Bytes(), again.Bytes())
		all := parse(t, append([]byte(nil), b.Bytes()[bytes.Index(b.Bytes(), []byte("<svg")):]...))
		root := all[0]
		assert.Equal(t, mm(o.Paper.W)+"mm", root.attr["width"])
		assert.Equal(t, mm(o.Paper.H)+"mm", root.attr["height"])
		assert.Equal(t, fmt.Sprintf("0 0 %s %s", mm(o.Paper.W), mm(o.Paper.H)), root.attr["viewBox"])
		assert.Equal(t, "traytally "+o.layout.Name, strings.TrimSpace(all[1].text))

		discs := map[string][]card.Point{}
		black, lines := 0, 0
		for _, e := range all {
			switch e.name {
			case "circle":
				discs[e.attr["r"]] = append(discs[e.attr["r"]], card.Point{X: e.number(t, "cx"), Y: e.number(t, "cy")})
			case "polygon":
				if e.attr["fill"] == "#000000" {
					black++
				}
			case "polyline":
				lines++
				if p := strings.Fields(e.attr["points"]); lines == 1 && o.layout.HasField() && !o.open {
					// The first line is the ruler: 150 mm long.
					require.Len(t, p, 2)
					var x0, y0, x1, y1 float64
					_, err := fmt.Sscanf(p[0]+" "+p[1], "%f,%f %f,%f", &x0, &y0, &x1, &y1)
					require.NoError(t, err)
					assert.InDelta(t, 150, x1-x0, 1e-9)
					assert.Equal(t, y0, y1)
				}
			}
		}
		require.Len(t, discs[mm(card.DiscR)], 4)
		require.Len(t, discs[mm(card.RingOutR)], 4)
		require.Len(t, discs[mm(card.DotR)], len(o.layout.Dots))
		first := discs[mm(card.DiscR)][0].Sub(o.layout.Marks[0])
		for i, m := range o.layout.Marks {
			assert.InDelta(t, 0, discs[mm(card.DiscR)][i].Sub(first).Dist(m), 1e-4)
		}
		for i, d := range o.layout.Dots {
			assert.InDelta(t, 0, discs[mm(card.DotR)][i].Sub(first).Dist(d), 1e-4)
		}
		assert.InDelta(t, (o.Paper.W-o.layout.W)/2, first.X, 1e-4, "in the middle of the sheet")
		assert.GreaterOrEqual(t, black, 4*3)
		assert.Equal(t, o.open, strings.Contains(b.String(), "lay matt dark paper of 150 × 197 mm here"))
	})
}

func TestPDF(t *testing.T) {
	eachSheet(t, func(t *testing.T, o page) {
		var b, again bytes.Buffer
		require.NoError(t, o.pdf(&b))
		require.NoError(t, o.pdf(&again))
		assert.Equal(t, b.Bytes(), again.Bytes())
		data := b.String()
		// 1/72 inch to the unit.
		box := regexp.MustCompile(`/MediaBox \[0 0 ([0-9.]+) ([0-9.]+)\]`).FindStringSubmatch(data)
		require.NotNil(t, box)
		w, _ := strconv.ParseFloat(box[1], 64)
		h, _ := strconv.ParseFloat(box[2], 64)
		assert.InDelta(t, o.Paper.W, w*25.4/72, 0.005)
		assert.InDelta(t, o.Paper.H, h*25.4/72, 0.005)
		assert.Contains(t, data, "/ViewerPreferences << /PrintScaling /None >>")
		// The table of objects still lies where the file says, and so does each
		// object.
		at := regexp.MustCompile(`startxref\n(\d+)\n%%EOF`).FindStringSubmatch(data)
		require.NotNil(t, at)
		start, err := strconv.Atoi(at[1])
		require.NoError(t, err)
		require.True(t, strings.HasPrefix(data[start:], "xref\n"))
		n := 0
		for i, row := range strings.Split(data[start:], "\n")[2:] {
			var offset, generation int
			var kind string
			if _, err := fmt.Sscanf(row, "%d %d %s", &offset, &generation, &kind); err != nil {
				break
			}
			if kind == "n" {
				assert.True(t, strings.HasPrefix(data[offset:], fmt.Sprintf("%d 0 obj", i)), "object %d", i)
				n++
			}
		}
		assert.Greater(t, n, 5)
	})
}

func TestUnscaledRefuses(t *testing.T) {
	for _, s := range []string{"", "/Type /Catalog\n", "startxref\n12\n", "/Type /Catalog\nstartxref\nx\n", "/Type /Catalog\nstartxref\n3\n"} {
		_, err := unscaled([]byte(s))
		assert.Error(t, err, "%q", s)
	}
}
