package main

import (
	"image"
	"image/color"

	"traytally/vision/phantom"
)

// cardPictures are those of cards and of things of known size.
func cardPictures() map[string]trayPicture {
	photo := func(change func(*phantom.Photo)) trayPicture {
		p := phantom.DefaultPhoto()
		p.Rice.Count, p.Rice.Kind, p.Rice.BrokenShare = 110, phantom.Bold, 0.2
		p.Width, p.Height, p.DistanceMM = 1250, 1650, 235
		p.TiltDeg, p.LeanDeg = 8, 100
		change(&p)
		return trayPicture{72, func() *image.RGBA { // as cameras write, for want of anything better
			img, _, err := phantom.DrawPhoto(p)
			if err != nil {
				panic(err)
			}
			return img
		}}
	}
	// Discs of 20 mm at 11.85 px/mm: 0.33 % off from the 300 dpi they state.
	disc := func(radius float64) trayPicture {
		return trayPicture{300, func() *image.RGBA {
			img := image.NewRGBA(image.Rect(0, 0, 420, 380))
			for y := range 380 {
				for x := range 420 {
					n := 0
					for i := range 16 {
						u, v := float64(x-210)+float64(i%4)/4, float64(y-190)+float64(i/4)/4
						if u*u+v*v < radius*radius {
							n++
						}
					}
					g := uint8(20 + 170*n/16)
					img.SetRGBA(x, y, color.RGBA{g, g, g, 255})
				}
			}
			return img
		}}
	}
	return map[string]trayPicture{
		"photo.png":        photo(func(p *phantom.Photo) {}),
		"photo-hidden.png": photo(func(p *phantom.Photo) { p.Covered = []phantom.Rect{{X0: 165, Y0: -5, X1: 200, Y1: 30}} }),
		"photo-shadow.png": photo(func(p *phantom.Photo) { p.ShadowDepth, p.ShadowTopMM, p.ShadowBottomMM = 0.4, 60, 90 }),
		"card-scan.png": photo(func(p *phantom.Photo) {
			p.Rice.Count, p.TiltDeg, p.Focal, p.DistanceMM = 0, 0, 4, 1250
		}),
		"disc.png":          disc(118.5),
		"disc-next-day.png": disc(118.6),
		"disc-drifted.png":  disc(120),
	}
}
