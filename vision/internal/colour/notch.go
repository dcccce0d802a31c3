package colour

import (
	"math"
	"slices"

	"traytally/vision/internal/geom"
)

// A spot at the flank is nearly as dark as the tray, so the outline runs
// around it and shows a notch. These limits tell such a notch from a chip or
// the place of the germ, where the tray itself shows.
const (
	notchDepth = 2.2  // least depth, px
	notchReach = 0.5  // greatest depth, in greatest widths
	notchChord = 0.9  // greatest width of its mouth, in greatest widths
	notchClear = 2.2  // distance from the outline beyond which the kernel's blur does not reach, in blurs
	notchGrey  = 10   // least rise over the tray, grey values
	notchShare = 0.06 // and as a share of the kernel's own rise
	notchCore  = 3    // least pixels that show it
)

// Notches looks for dark spots that the outline of a free-lying piece leaves
// out, and adds what it finds to the patch.
func (s *Sampler) Notches(outline []geom.Point, p *Patch) {
	hull := geom.Hull(outline)
	n := len(outline)
	// The hull's corners are points of the outline, in its order or against it.
	dir := 1
	if (geom.Area(hull) > 0) != (geom.Area(outline) > 0) {
		dir = n - 1
	}
	at := slices.Index(outline, hull[0])
	for k, a := range hull {
		b := hull[(k+1)%len(hull)]
		i, m := at, 0
		for ; outline[at] != b && m < n; m++ {
			at = (at + dir) % n
		}
		chord := a.Dist(b)
		if m < 2 || m == n || chord < 2*notchDepth || chord > notchChord*2*p.HalfWidth {
			continue
		}
		nx, ny := (b.Y-a.Y)/chord, -(b.X-a.X)/chord
		if (p.X-a.X)*nx+(p.Y-a.Y)*ny > 0 {
			nx, ny = -nx, -ny // outwards
		}
		depth := 0.0
		bay := s.poly[:0]
		for step := range m + 1 {
			q := outline[(i+step*dir)%n]
			bay = append(bay, q)
			depth = math.Max(depth, -(q.X-a.X)*nx-(q.Y-a.Y)*ny)
		}
		s.poly = bay
		if depth < notchDepth || depth > notchReach*2*p.HalfWidth {
			continue
		}
		// What lies before the mouth is the tray.
		ground := 255.0
		for _, u := range [...]float64{0.25, 0.5, 0.75} {
			for _, out := range [...]float64{3, 4, 5} {
				x, y := a.X+u*(b.X-a.X)+out*nx, a.Y+u*(b.Y-a.Y)+out*ny
				if v, ok := s.grey(x, y); ok {
					ground = math.Min(ground, v)
				}
			}
		}
		kernel := s.level(p.X, p.Y)
		clear := math.Max(1.5, notchClear*s.blur)
		var sum, core float64
		x0, y0, x1, y1 := s.bounds()
		for y := y0; y <= y1; y++ {
			for x := x0; x <= x1; x++ {
				q := geom.Point{X: float64(x), Y: float64(y)}
				if -(q.X-a.X)*nx-(q.Y-a.Y)*ny < 0.5 || !geom.Contains(bay, q) || far(bay, q) < clear {
					continue
				}
				v, _ := s.grey(q.X, q.Y)
				sum += v
				core++
			}
		}
		if core < notchCore {
			continue
		}
		rise := sum/core - ground
		if rise >= notchGrey && rise >= notchShare*(kernel-ground) && rise < (kernel-ground)/2 {
			p.Notches = append(p.Notches, math.Abs(geom.Area(bay)))
		}
	}
}

// far returns the distance of q from the open line.
func far(line []geom.Point, q geom.Point) float64 {
	best := math.Inf(1)
	for i := 1; i < len(line); i++ {
		a, b := line[i-1], line[i]
		dx, dy := b.X-a.X, b.Y-a.Y
		u := 0.0
		if n := dx*dx + dy*dy; n > 0 {
			u = min(max(((q.X-a.X)*dx+(q.Y-a.Y)*dy)/n, 0), 1)
		}
		best = min(best, math.Hypot(q.X-a.X-u*dx, q.Y-a.Y-u*dy))
	}
	return best
}

// grey returns the mean of the channels at a place; ok is false outside the
// picture.
func (s *Sampler) grey(x, y float64) (v float64, ok bool) {
	i, j := int(math.Round(x)), int(math.Round(y))
	if i < 0 || j < 0 || i >= s.px.W || j >= s.px.H {
		return 0, false
	}
	q := s.px.Pix[3*(j*s.px.W+i):]
	return (float64(q[0]) + float64(q[1]) + float64(q[2])) / 3, true
}

// level returns the mean grey value of the nine pixels around a place.
func (s *Sampler) level(x, y float64) float64 {
	sum, n := 0.0, 0.0
	for dy := -1.0; dy <= 1; dy++ {
		for dx := -1.0; dx <= 1; dx++ {
			if v, ok := s.grey(x+dx, y+dy); ok {
				sum, n = sum+v, n+1
			}
		}
	}
	return sum / math.Max(1, n)
}
