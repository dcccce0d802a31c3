package report_test

import (
	"bytes"
	"encoding/xml"
	"image"
	"image/color"
	"image/draw"
	"image/png"
	"io"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/makiuchi-d/gozxing"
	"github.com/makiuchi-d/gozxing/oned"
	"github.com/makiuchi-d/gozxing/qrcode"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"traytally/samples/report"
	"traytally/samples/words"
	"traytally/vision/kernel/fault"
)

// scanned reads the mark in a picture, by another library than the one that drew
// it.
func scanned(t *testing.T, img image.Image, kind string) string {
	t.Helper()
	bits, err := gozxing.NewBinaryBitmapFromImage(img)
	require.NoError(t, err)
	var r gozxing.Reader = oned.NewCode128Reader()
	if kind == report.QR {
		r = qrcode.NewQRCodeReader()
	}
	got, err := r.Decode(bits, map[gozxing.DecodeHintType]any{gozxing.DecodeHintType_TRY_HARDER: true})
	require.NoError(t, err)
	return got.GetText()
}

// painted is the picture that the rectangles of an SVG make, 24 px to the mm, and
// its texts.
func painted(t *testing.T, svg []byte) (image.Image, []string) {
	t.Helper()
	const perMM = 24
	var img *image.Gray
	var texts []string
	name := ""
	for d := xml.NewDecoder(bytes.NewReader(svg)); ; {
		tok, err := d.Token()
		if err == io.EOF {
			return img, texts
		}
		require.NoError(t, err)
		switch tok := tok.(type) {
		case xml.StartElement:
			name = tok.Name.Local
			at := map[string]string{}
			for _, a := range tok.Attr {
				at[a.Name.Local] = a.Value
			}
			px := func(names ...string) int {
				sum := 0.0
				for _, n := range names {
					v, err := strconv.ParseFloat(strings.TrimSuffix(at[n], "mm"), 64)
					require.NoError(t, err)
					sum += v
				}
				return int(sum*perMM + 0.5)
			}
			switch name {
			case "svg":
				img = image.NewGray(image.Rect(0, 0, px("width"), px("height")))
			case "rect":
				c := color.Gray{255}
				if at["fill"] == "#000000" {
					c = color.Gray{0}
				}
				draw.Draw(img, image.Rect(px("x"), px("y"), px("x", "width"), px("y", "height")), image.NewUniform(c), image.Point{}, draw.Src)
			}
		case xml.CharData:
			if name == "text" {
				texts = append(texts, string(tok))
			}
		}
	}
}

// Whatever is on a label is read back from the picture and from the drawing, at the
// size that was asked for.
func TestLabels(t *testing.T) {
	at := time.Date(2026, 11, 24, 9, 30, 0, 0, time.UTC)
	for _, c := range []struct {
		code, kind string
		w, h       float64
	}{
		{"S2026-0001", report.Code128, 70, 37}, {"S2026-0001", report.QR, 70, 37}, {"K_1.a-B", report.Code128, 50, 25}, {strings.Repeat("K", 64), report.Code128, 150, 40},
		{strings.Repeat("9", 40), report.Code128, 70, 30}, {"ข้าว-17", report.QR, 40, 30}, {strings.Repeat("大", 64), report.QR, 60, 60}, {"A", report.QR, 20, 20},
	} {
		t.Run(c.kind+" "+c.code, func(t *testing.T) {
			l := report.Label{Code: c.code, Lot: "L-17", Date: at, Kind: c.kind, Words: words.In("fr")}
			var svg bytes.Buffer
			require.NoError(t, l.SVG(&svg, c.w, c.h))
			img, texts := painted(t, svg.Bytes())
			assert.Equal(t, image.Pt(int(c.w*24), int(c.h*24)), img.Bounds().Size())
			assert.Equal(t, c.code, scanned(t, img, c.kind))
			assert.Contains(t, texts, "24/11/2026")
			assert.Contains(t, c.code, strings.TrimSuffix(texts[0], "…"), "the code in letters, cut where it is too long")
			if strings.ContainsAny(c.code, "ข大") { // letters that the font of PNG lacks
				assert.ErrorAs(t, l.PNG(io.Discard, c.w, c.h), new(*report.LettersError))
				return
			}
			var raster bytes.Buffer
			require.NoError(t, l.PNG(&raster, c.w, c.h))
			dots, err := png.Decode(bytes.NewReader(raster.Bytes()))
			require.NoError(t, err)
			assert.InDelta(t, c.w/25.4*300, dots.Bounds().Dx(), 0.5)
			assert.Equal(t, c.code, scanned(t, dots, c.kind))
			i := bytes.Index(raster.Bytes(), []byte("pHYs"))
			assert.Equal(t, []byte{0, 0, 0x2e, 0x23, 0, 0, 0x2e, 0x23, 1}, raster.Bytes()[i+4:i+13], "11811 dots a metre")
		})
	}
}

func TestLabelsRefuse(t *testing.T) {
	for _, c := range []struct {
		l          report.Label
		w, h       float64
		what, hint string
	}{
		{report.Label{Code: "ข้าว", Kind: report.Code128}, 70, 37, "has no letters like those of the code ข้าว", "--kind qr"},
		{report.Label{Code: strings.Repeat("K", 64), Kind: report.Code128}, 70, 37, "does not fit on a label of 70 × 37 mm", "give it 138 mm of width or more"},
		{report.Label{Code: "K-1", Kind: report.Code128}, 70, 8, "leaves no room", "give it 21 mm or more"},
		{report.Label{Code: "K-1", Kind: report.QR}, 7, 7, "does not fit", "give it 14 × 19 mm or more"},
	} {
		var e *fault.Error
		require.ErrorAs(t, c.l.SVG(io.Discard, c.w, c.h), &e)
		assert.Contains(t, e.What, c.what)
		assert.Contains(t, e.Hint, c.hint)
	}
	// What is said to be enough is enough.
	assert.NoError(t, report.Label{Code: strings.Repeat("K", 64), Kind: report.Code128}.SVG(io.Discard, 138, 37))
	assert.NoError(t, report.Label{Code: "K-1", Kind: report.Code128}.SVG(io.Discard, 70, 21))
	assert.NoError(t, report.Label{Code: "K-1", Kind: report.QR}.SVG(io.Discard, 14, 19))
}

func TestLabelsPDF(t *testing.T) {
	var labels []report.Label
	for range 25 {
		labels = append(labels, report.Label{Code: "S2026-0001", Lot: "gạo 17", Kind: report.Code128})
	}
	pages := func(s report.Sheet) (int, []byte) {
		var a, b bytes.Buffer
		require.NoError(t, report.LabelsPDF(&a, labels, s))
		require.NoError(t, report.LabelsPDF(&b, labels, s))
		assert.Equal(t, a.Bytes(), b.Bytes(), "the same labels give the same bytes")
		return len(pageMark.FindAll(a.Bytes(), -1)), mediaBox.FindSubmatch(a.Bytes())[1]
	}
	n, box := pages(report.Sheet{Rows: 8, Columns: 3})
	assert.Equal(t, 2, n)
	assert.Equal(t, "0 0 595.28 841.89", string(box))
	n, _ = pages(report.Sheet{Rows: 8, Columns: 3, Margin: 5, Skip: 23})
	assert.Equal(t, 2, n)
	n, box = pages(report.Sheet{Wide: 60, High: 30})
	assert.Equal(t, 25, n)
	assert.Equal(t, "0 0 170.08 85.04", string(box)) // 60 × 30 mm in points
	w, h := report.Sheet{Rows: 8, Columns: 3, Margin: 0}.Size()
	assert.Equal(t, 70.0, w)
	assert.InDelta(t, 37.125, h, 1e-9)
	labels[3].Lot = "大米"
	assert.ErrorAs(t, report.LabelsPDF(io.Discard, labels, report.Sheet{Wide: 60, High: 30}), new(*report.LettersError))
}
