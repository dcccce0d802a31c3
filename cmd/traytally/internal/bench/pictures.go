package bench

import (
	"bytes"
	"context"
	"image"
	"image/jpeg"
	"net/http"
	"slices"
	"strconv"
	"sync"

	"github.com/disintegration/imaging"
	"golang.org/x/sync/errgroup"

	"traytally/cmd/traytally/internal/pipeline"
	"traytally/samples"
)

// tileSize is the side of a tile in px: a power of two of which a handful fill
// a window, each encoded in some milliseconds. Our own choice.
const tileSize = 512

// keptPixels is how many pixels of decoded pictures are kept for their tiles, 4
// bytes each with the smaller levels: two A4 scans of 600 dpi.
const keptPixels = 80_000_000

// levelsOf returns how many halvings it takes until a picture fits in one tile,
// and one more for the picture itself.
func levelsOf(w, h int) int {
	n := 1
	for max(w, h) > tileSize {
		w, h = (w+1)/2, (h+1)/2
		n++
	}
	return n
}

// A level is a picture at one size, three bytes a pixel: blue, green, red.
type level struct {
	w, h int
	pix  []byte
}

// half returns a level of half the size, each pixel the mean of up to four.
func (l *level) half() level {
	out := level{w: (l.w + 1) / 2, h: (l.h + 1) / 2}
	out.pix = make([]byte, 3*out.w*out.h)
	var rows errgroup.Group
	const strip = 64 // rows that one goroutine does at a time
	for y0 := 0; y0 < out.h; y0 += strip {
		rows.Go(func() error {
			for y := y0; y < min(y0+strip, out.h); y++ {
				a := l.pix[3*l.w*2*y:][:3*l.w]
				b := a
				if 2*y+1 < l.h {
					b = l.pix[3*l.w*(2*y+1):][:3*l.w]
				}
				to := out.pix[3*out.w*y:][:3*out.w]
				for x := 0; x < l.w/2; x++ {
					p, q, r := a[6*x:][:6:6], b[6*x:][:6:6], to[3*x:][:3:3]
					r[0] = byte((int(p[0]) + int(p[3]) + int(q[0]) + int(q[3]) + 2) >> 2)
					r[1] = byte((int(p[1]) + int(p[4]) + int(q[1]) + int(q[4]) + 2) >> 2)
					r[2] = byte((int(p[2]) + int(p[5]) + int(q[2]) + int(q[5]) + 2) >> 2)
				}
				if l.w%2 == 1 {
					for c := range 3 {
						to[len(to)-3+c] = byte((int(a[len(a)-3+c]) + int(b[len(b)-3+c]) + 1) >> 1)
					}
				}
			}
			return nil
		})
	}
	rows.Wait()
	return out
}

// cut returns a part of a level; what lies outside of it is left out.
func (l *level) cut(r image.Rectangle) *image.RGBA {
	r = r.Intersect(image.Rect(0, 0, l.w, l.h))
	img := image.NewRGBA(image.Rect(0, 0, r.Dx(), r.Dy()))
	for y := range r.Dy() {
		from := l.pix[3*(l.w*(r.Min.Y+y)+r.Min.X):][:3*r.Dx()]
		to := img.Pix[img.Stride*y:][:4*r.Dx()]
		for i, j := 0, 0; i < len(from); i, j = i+3, j+4 {
			to[j], to[j+1], to[j+2], to[j+3] = from[i+2], from[i+1], from[i], 0xff
		}
	}
	return img
}

// A shown picture is decoded, at all its sizes, the full one first.
type shown struct {
	once   sync.Once
	levels []level
	err    error
	pixels int
}

// A gallery decodes pictures once and keeps the last ones.
type gallery struct {
	find  func(*samples.Picture) *pipeline.Source
	mu    sync.Mutex
	shown map[string]*shown // by the SHA-256 of the file
	order []string          // the one asked for last is the last
}

func newGallery(find func(*samples.Picture) *pipeline.Source) *gallery {
	return &gallery{find: find, shown: map[string]*shown{}}
}

// A goneError is a picture that is not where it was, or is another one now.
type goneError struct{ name string }

func (e *goneError) Error() string {
	return e.name + " is not at hand: it was moved, or changed since it was measured"
}

// load returns a picture, decoded.
func (g *gallery) load(p *samples.Picture) ([]level, error) {
	g.mu.Lock()
	s := g.shown[p.SHA256]
	if s == nil {
		s = &shown{pixels: p.WidthPx * p.HeightPx}
		g.shown[p.SHA256] = s
	}
	g.order = slices.DeleteFunc(g.order, func(sum string) bool { return sum == p.SHA256 })
	g.order = append(g.order, p.SHA256)
	for pixels := 0; ; pixels = 0 {
		for _, sum := range g.order {
			pixels += g.shown[sum].pixels
		}
		if pixels <= keptPixels || len(g.order) == 1 {
			break
		}
		delete(g.shown, g.order[0])
		g.order = g.order[1:]
	}
	g.mu.Unlock()
	s.once.Do(func() { s.levels, s.err = g.decode(p) })
	if s.err != nil { // it may be put back
		g.mu.Lock()
		defer g.mu.Unlock()
		if g.shown[p.SHA256] == s {
			delete(g.shown, p.SHA256)
			g.order = slices.DeleteFunc(g.order, func(sum string) bool { return sum == p.SHA256 })
		}
	}
	return s.levels, s.err
}

func (g *gallery) decode(p *samples.Picture) ([]level, error) {
	source := g.find(p)
	if source == nil {
		return nil, &goneError{baseName(p.Path)}
	}
	pic, err := source.Decode()
	if err != nil {
		return nil, err
	}
	defer pic.Close()
	if pic.SHA256 != p.SHA256 || pic.Width != p.WidthPx || pic.Height != p.HeightPx {
		return nil, &goneError{baseName(p.Path)}
	}
	levels := []level{{pic.Width, pic.Height, bytes.Clone(pic.Pix())}}
	for len(levels) < levelsOf(pic.Width, pic.Height) {
		levels = append(levels, levels[len(levels)-1].half())
	}
	return levels, nil
}

func noPart() error {
	return &refusal{status: http.StatusNotFound, text: "there is no such part of the picture"}
}

// tile returns a tile as JPEG.
func (g *gallery) tile(p *samples.Picture, n, x, y int) ([]byte, error) {
	levels, err := g.load(p)
	if err != nil {
		return nil, err
	}
	if n < 0 || n >= len(levels) || x < 0 || y < 0 || x*tileSize >= levels[n].w || y*tileSize >= levels[n].h {
		return nil, noPart()
	}
	return encode(levels[n].cut(image.Rect(x*tileSize, y*tileSize, (x+1)*tileSize, (y+1)*tileSize)))
}

// crop returns a place of the picture as JPEG, its longer side of so many px.
func (g *gallery) crop(p *samples.Picture, r image.Rectangle, to int) ([]byte, error) {
	levels, err := g.load(p)
	if err != nil {
		return nil, err
	}
	r = r.Intersect(image.Rect(0, 0, levels[0].w, levels[0].h))
	if r.Empty() {
		return nil, noPart()
	}
	n := 0
	for n+1 < len(levels) && max(r.Dx(), r.Dy())>>(n+1) >= to {
		n++
	}
	img := image.Image(levels[n].cut(image.Rect(r.Min.X>>n, r.Min.Y>>n, (r.Max.X+1<<n-1)>>n, (r.Max.Y+1<<n-1)>>n)))
	if img.Bounds().Empty() {
		return nil, noPart()
	}
	return encode(imaging.Fit(img, to, to, imaging.Linear))
}

func encode(img image.Image) ([]byte, error) {
	var b bytes.Buffer
	err := jpeg.Encode(&b, img, &jpeg.Options{Quality: 88}) // grain of rice stays without rings to the eye
	return b.Bytes(), err
}

// picturesOf returns the pictures of a sample. They never change, and a code that
// a sample had leads to no other, so that a tile costs no look into the register.
func (s *Server) picturesOf(ctx context.Context, code string) ([]samples.Picture, error) {
	if p, ok := s.pictures.Load(code); ok {
		return p.([]samples.Picture), nil
	}
	rec, err := s.lab.Register.Get(ctx, code, 0)
	if err != nil {
		return nil, err
	}
	s.pictures.Store(code, rec.Pictures)
	return rec.Pictures, nil
}

// whichPicture returns the picture that a request asks for, and whole numbers of
// its address, within what a picture can have.
func (s *Server) whichPicture(r *http.Request, names ...string) (p *samples.Picture, numbers []int, err error) {
	for _, name := range names {
		n, err := strconv.Atoi(r.URL.Query().Get(name))
		if err != nil || n < -1<<20 || n > 1<<20 {
			return nil, nil, noPart()
		}
		numbers = append(numbers, n)
	}
	all, err := s.picturesOf(r.Context(), r.PathValue("code"))
	if err != nil {
		return nil, nil, err
	}
	n, err := strconv.Atoi(r.URL.Query().Get("picture"))
	if err != nil || n < 1 || n > len(all) {
		return nil, nil, &refusal{status: http.StatusNotFound, text: "the sample has no such picture"}
	}
	return &all[n-1], numbers, nil
}

func (s *Server) tile(w http.ResponseWriter, r *http.Request) error {
	p, n, err := s.whichPicture(r, "level", "x", "y")
	if err != nil {
		return err
	}
	b, err := s.gallery.tile(p, n[0], n[1], n[2])
	return picture(w, r, b, err)
}

func (s *Server) crop(w http.ResponseWriter, r *http.Request) error {
	p, n, err := s.whichPicture(r, "x", "y", "w", "h", "to")
	if err != nil {
		return err
	}
	if n[2] < 1 || n[3] < 1 || n[4] < 16 || n[4] > 2048 {
		return noPart()
	}
	b, err := s.gallery.crop(p, image.Rect(n[0], n[1], n[0]+n[2], n[1]+n[3]), n[4])
	return picture(w, r, b, err)
}

// picture writes a part of a picture. Its address holds the picture's check
// sum, so it may be kept.
func picture(w http.ResponseWriter, r *http.Request, b []byte, err error) error {
	if err != nil {
		return err
	}
	if r.URL.Query().Get("v") != "" {
		w.Header().Set("Cache-Control", "private, max-age=86400")
	}
	w.Header().Set("Content-Type", "image/jpeg")
	w.Write(b)
	return nil
}
