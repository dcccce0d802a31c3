package phantom

import (
	"bytes"
	"encoding/binary"
	"errors"
	"hash/crc32"
	"image"
	"image/color"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func swatch() *image.RGBA {
	img := image.NewRGBA(image.Rect(0, 0, 24, 16))
	for i := range img.Pix {
		img.Pix[i] = 180
		if i%4 == 3 {
			img.Pix[i] = 255
		}
	}
	return img
}

// TestEncodePNG walks the chunks by the PNG specification (third edition, W3C
// 2025): pHYs stands before IDAT, its check sum is right, and its unit is the
// metre.
func TestEncodePNG(t *testing.T) {
	for dpi, want := range map[float64]uint32{300: 11811, 600: 23622, 1200: 47244, 254: 10000} {
		var b bytes.Buffer
		require.NoError(t, Encode(&b, "a.PNG", swatch(), dpi, 0))
		data := b.Bytes()[8:]
		var order []string
		for len(data) > 0 {
			n := binary.BigEndian.Uint32(data)
			kind, body := string(data[4:8]), data[8:8+n]
			order = append(order, kind)
			require.Equal(t, crc32.ChecksumIEEE(data[4:8+n]), binary.BigEndian.Uint32(data[8+n:]), kind)
			if kind == "pHYs" {
				assert.Equal(t, want, binary.BigEndian.Uint32(body))
				assert.Equal(t, want, binary.BigEndian.Uint32(body[4:]))
				assert.Equal(t, byte(1), body[8])
			}
			data = data[12+n:]
		}
		assert.Equal(t, []string{"IHDR", "pHYs", "IDAT", "IEND"}, order)
		img, kind, err := image.Decode(&b)
		require.NoError(t, err)
		assert.Equal(t, "png", kind)
		assert.Equal(t, color.NRGBAModel.Convert(swatch().At(3, 3)), color.NRGBAModel.Convert(img.At(3, 3)))
	}
}

// TestEncodeJPEG reads the APP0 segment by ITU-T T.871, 10.1: right after SOI,
// "JFIF", version, unit (1 dots per inch, 2 dots per cm), densities, no
// thumbnail.
func TestEncodeJPEG(t *testing.T) {
	for dpi, want := range map[float64][2]int{300: {1, 300}, 1200: {1, 1200}, 254: {1, 254}, 190.5: {2, 75}} {
		var b bytes.Buffer
		require.NoError(t, Encode(&b, "a.jpeg", swatch(), dpi, 80))
		data := b.Bytes()
		require.Equal(t, []byte{0xff, 0xd8, 0xff, 0xe0, 0, 16, 'J', 'F', 'I', 'F', 0, 1, 2}, data[:13])
		assert.Equal(t, want, [2]int{int(data[13]), int(binary.BigEndian.Uint16(data[14:]))})
		assert.Equal(t, data[14:16], data[16:18])
		assert.Equal(t, []byte{0, 0, 0xff}, data[18:21], "no thumbnail, then the next marker")
		_, kind, err := image.Decode(&b)
		require.NoError(t, err)
		assert.Equal(t, "jpeg", kind)
	}
	size := func(quality int) int {
		img, _, err := Draw(small(nil))
		require.NoError(t, err)
		var b bytes.Buffer
		require.NoError(t, Encode(&b, "a.jpg", img, 300, quality))
		return b.Len()
	}
	assert.Less(t, size(40), size(0))
}

func TestEncodeRefuses(t *testing.T) {
	var b bytes.Buffer
	assert.ErrorContains(t, Encode(&b, "a.gif", swatch(), 300, 0), ".png, .jpg")
	assert.ErrorContains(t, Encode(&b, "a.jpg", swatch(), 300, 101), "1 to 100")
	assert.ErrorContains(t, Encode(&b, "a.png", swatch(), 0, 0), "dpi")
	assert.Zero(t, b.Len(), "nothing is written")
	assert.True(t, CanEncode("x.JPG"))
	assert.False(t, CanEncode("x.tif"))
}

// TestEncodeReportsWriteErrors cuts the writer off after each of the first
// bytes, so that each part fails.
func TestEncodeReportsWriteErrors(t *testing.T) {
	for _, name := range []string{"a.png", "a.jpg"} {
		for room := range 60 {
			err := Encode(&narrow{room: room}, name, swatch(), 300, 0)
			assert.ErrorIs(t, err, errFull)
		}
	}
}

var errFull = errors.New("full")

type narrow struct{ room int }

func (n *narrow) Write(b []byte) (int, error) {
	if len(b) > n.room {
		return n.room, errFull
	}
	n.room -= len(b)
	return len(b), nil
}
