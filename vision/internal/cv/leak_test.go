//go:build matprofile

package cv

import (
	"fmt"
	"os"
	"testing"

	"gocv.io/x/gocv"
)

// Run with: go test -tags matprofile ./vision/internal/cv
func TestMain(m *testing.M) {
	before := gocv.MatProfile.Count()
	code := m.Run()
	if n := gocv.MatProfile.Count() - before; n != 0 {
		fmt.Fprintf(os.Stderr, "%d matrices were not closed\n", n)
		gocv.MatProfile.WriteTo(os.Stderr, 1)
		code = 1
	}
	os.Exit(code)
}
