package samples_test

import (
	"fmt"
	"time"

	"traytally/grading"
	"traytally/samples"
)

// A control chart of the NIST/SEMATECH e-Handbook's example values (6.3.2.2).
func ExampleTrendOf() {
	var rows []samples.Row
	at := time.Date(2026, 11, 1, 8, 0, 0, 0, time.UTC)
	for _, v := range []float64{49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1} {
		at = at.Add(time.Hour)
		rows = append(rows, samples.Row{At: at, BrokenMass: grading.Estimate{Value: v, Low: v - 1, High: v + 1}})
	}
	charts, err := samples.TrendOf(rows, "")
	if err != nil {
		fmt.Println(err)
		return
	}
	c := charts[0]
	fmt.Printf("mean %.2f, limits %.1f to %.1f\n", c.Mean, *c.Lower, *c.Upper)
	// Output: mean 50.81, limits 45.8 to 55.8
}

func ExampleGuard() {
	fmt.Println(samples.Guard("L-17"), samples.Guard("=1+1"))
	// Output: L-17 '=1+1
}
