package card

import (
	"bytes"
	"math"

	"traytally/vision/internal/geom"
	"traytally/vision/internal/pixel"
)

// A blob is a connected region of black (8-connected) or white (4-connected)
// pixels of the shrunk picture.
type blob struct {
	parent, children int // parent: the blob around it; -1 for none
	black            bool
	geom.Moments         // over its pixels, each a square
	x0, y0, x1, y1   int // bounds, inclusive
}

// A run is a stretch of one colour within a row.
type run struct{ x0, x1 int32 }

// blobs parts a picture into its regions and tells which lies within which:
// the pixel left of a region's first one, in the order of reading, belongs to
// the region around it. Of a picture with a change of colour at more than every
// fourth pixel, which is no picture of a card, nothing is returned.
func blobs(dark []uint8, w, h int) []blob {
	var runs []run
	var same pixel.Forest // runs of one blob
	rows := make([]int, h+1)
	for y := range h {
		rows[y] = len(runs)
		row := dark[y*w : (y+1)*w]
		for x := 0; x < w; {
			x0 := x
			if next := bytes.IndexByte(row[x:], 1-row[x]); next >= 0 {
				x += next
			} else {
				x = w
			}
			runs = append(runs, run{int32(x0), int32(x)})
			same = append(same, int32(len(same)))
		}
		if len(runs) > w*h/4+w+h {
			return nil
		}
		i, here := rows[max(0, y-1)], rows[y]
		for j := here; j < len(runs); j++ {
			b := runs[j]
			black := row[b.x0] == 1
			for i < here && runs[i].x1 < b.x0 {
				i++
			}
			for k := i; k < here && runs[k].x0 <= b.x1; k++ {
				a := runs[k]
				if dark[(y-1)*w+int(a.x0)] == row[b.x0] && (black || a.x0 < b.x1 && b.x0 < a.x1) {
					same.Join(int32(k), int32(j))
				}
			}
		}
	}
	rows[h] = len(runs)

	number := same.Numbers() // of the blob of each run
	var out []blob
	for y := range h {
		for i := rows[y]; i < rows[y+1]; i++ {
			r := runs[i]
			if int(number[i]) == len(out) {
				out = append(out, blob{parent: -1, black: dark[y*w+int(r.x0)] == 1, x0: w, y0: y})
				if p := &out[len(out)-1]; r.x0 > 0 {
					p.parent = int(number[i-1])
				}
			}
			b := &out[number[i]]
			n := float64(r.x1 - r.x0)
			mid := (float64(r.x0) + float64(r.x1) - 1) / 2
			fy := float64(y)
			b.x0, b.x1, b.y1 = min(b.x0, int(r.x0)), max(b.x1, int(r.x1)-1), y
			b.Moments = b.Add(geom.Moments{
				A: n, X: n * mid, Y: n * fy,
				XX: n * (mid*mid + n*n/12), XY: n * mid * fy, YY: n * (fy*fy + 1.0/12),
			})
		}
	}
	for i := range out {
		if p := out[i].parent; p >= 0 {
			out[p].children++
		}
	}
	return out
}

// roundness returns the area over that of the ellipse with the same second
// moments, 1 for an ellipse, and the ratio of the ellipse's axes, 0..1.
func roundness(m geom.Moments) (fill, axes float64) {
	major, minor, _ := m.Axes()
	return m.A / (4 * math.Pi * major * minor), minor / major
}
