package phantom_test

import (
	"fmt"
	"log"

	"traytally/vision/phantom"
)

// A crowded tray at a low resolution, and what lies on it.
func Example() {
	p := phantom.DefaultParams()
	p.Count, p.DPI, p.BrokenMass = 80, 150, 8
	p.Crowd(phantom.Dense)
	img, truth, err := phantom.Draw(p)
	if err != nil {
		log.Fatal(err)
	}
	fmt.Println(img.Rect.Dx() == truth.Width, truth.N, truth.Kind)
	fmt.Printf("%.0f %% broken by mass\n", truth.BrokenMass)
	// Output:
	// true 80 dense
	// 8 % broken by mass
}
