package phantom

import (
	"fmt"
	"testing"
)

func BenchmarkDraw(b *testing.B) {
	for _, c := range []struct {
		name string
		set  func(p *Params)
	}{
		{"300dpi/pieces=250", func(p *Params) { p.Crowd(Touching) }},
		{"600dpi-A4/pieces=1500", func(p *Params) {
			p.Crowd(Touching)
			p.DPI, p.Count, p.WidthMM, p.HeightMM = 600, 1500, 297, 210
		}},
		{"1200dpi-A4/pieces=1500", func(p *Params) {
			p.Crowd(Touching)
			p.DPI, p.Count, p.WidthMM, p.HeightMM = 1200, 1500, 297, 210
		}},
	} {
		p := DefaultParams()
		c.set(&p)
		b.Run(c.name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				img, _, err := Draw(p)
				if err != nil {
					b.Fatal(err)
				}
				b.SetBytes(int64(len(img.Pix)) / 4 * 3)
			}
		})
	}
}

func BenchmarkLay(b *testing.B) {
	for _, c := range Contacts() {
		b.Run(fmt.Sprintf("%s/pieces=1000", c), func(b *testing.B) {
			p := DefaultParams()
			p.Count = 1000
			p.Crowd(c)
			for b.Loop() {
				if _, err := p.scene(); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
