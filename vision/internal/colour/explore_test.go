package colour_test

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"testing"

	"traytally/vision"
	"traytally/vision/internal/colour"
)

func TestExplore(t *testing.T) {
	name := os.Getenv("EXPLORE")
	if name == "" {
		t.Skip()
	}
	for _, ext := range []string{".jpg", ".png"} {
		p, err := vision.Open(name+ext, vision.OpenOptions{})
		if err != nil {
			continue
		}
		tr, err := vision.Measure(context.Background(), p, vision.MeasureOptions{PxPerMM: 11.811})
		if err != nil {
			t.Fatal(err)
		}
		s := colour.NewSampler(colour.Pixels{Pix: p.Pix(), W: p.Width, H: p.Height}, colour.NewDecoder([3]float64{1, 1, 1}))
		type K struct {
			X, Y, L, W, Sol float64
			Mid, Mean       colour.Lab
			Cells           []colour.Cell
		}
		var ks []K
		for _, k := range tr.Kernels {
			q := s.Take(k.Outline, k.AngleRad)
			ks = append(ks, K{k.X, k.Y, k.LengthPx, k.WidthPx, k.Solidity, q.Mid, q.Mean, q.Cells})
		}
		b, _ := json.Marshal(ks)
		os.WriteFile(os.Getenv("EXPLORE_OUT"), b, 0o644)
		fmt.Println(len(ks), tr.CutByEdge, len(tr.Unresolved), tr.TooSmall)
	}
}
