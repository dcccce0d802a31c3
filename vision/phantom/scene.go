package phantom

import (
	"slices"

	"traytally/vision/internal/pixel"
)

// A scene is all that lies on a tray, ready to be drawn.
type scene struct {
	p      Params
	truth  *Truth
	pieces []*piece // those that the picture's edge cuts and things too; what is drawn later lies on top
	w, h   int
	light  lighting
}

func (p Params) scene() (*scene, error) {
	if err := p.Validate(); err != nil {
		return nil, err
	}
	listed := slices.Concat(p.kernels(), p.foreignBodies())
	across := make([]*piece, p.CutByEdge)
	for i := range across {
		across[i] = p.uncut(p.Count + i)
		across[i].measure()
	}
	things := p.things()
	s := &scene{p: p, pieces: slices.Concat(listed, across, things)}
	for _, k := range s.pieces {
		p.tint(k)
	}
	if err := p.lay(listed, across, things); err != nil {
		return nil, err
	}
	// Which lies on top is chance, but for those that were laid there.
	stream(p.Seed, streamOrder, 0).Shuffle(len(s.pieces), func(i, j int) { s.pieces[i], s.pieces[j] = s.pieces[j], s.pieces[i] })
	if p.Pile > 0 {
		slices.SortStableFunc(s.pieces, func(a, b *piece) int { return int(pixel.Bit(a.OnTop)) - int(pixel.Bit(b.OnTop)) })
		for i, k := range s.pieces {
			var over [][]point // what hides parts of it
			for _, o := range s.pieces[i+1:] {
				if slices.Contains(k.contacts, o) {
					over = append(over, o.onTray(o.outline...))
				}
			}
			k.Covered = hidden(k.onTray(k.outline...), over)
		}
	}
	s.truth = p.truth(listed)
	s.truth.CutByEdge = len(across)
	for _, k := range things {
		s.truth.Objects = append(s.truth.Objects, Object{Kind: k.Defect, X: p.toPx(k.at.X), Y: p.toPx(k.at.Y), Diameter: k.Length})
	}
	s.w, s.h = s.truth.Width, s.truth.Height
	s.light = s.lighting()
	return s, nil
}
