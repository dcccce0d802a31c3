package vision

import (
	"fmt"

	"traytally/vision/internal/segment"
	"traytally/vision/kernel"
	"traytally/vision/kernel/fault"
)

// The limits of what is measured, and of what is measured without a warning.
const (
	// minWidthPx is the least kernel width that is measured. At 8 pixels half a
	// pixel of edge doubt on both sides is 1/8 of the width.
	minWidthPx = 8
	// fewWidthPx is the width under which small pieces get doubtful: a quarter
	// of a kernel of medium shape is then about five pixels long.
	fewWidthPx = 11
	// maxBlur is the greatest blur, as a share of the kernel width, that goes
	// without a warning. Kernels a blur apart run together: at 0.12 the gap
	// that closes is a third of a width.
	maxBlur = 0.12
	// maxUnresolved is the greatest share of the rice that may lie in heaps.
	maxUnresolved = 0.5
	// maxWidthMM is wider than any rice kernel: paddy of the boldest types is
	// 3.4 mm wide (Cereals Processing Technology, ed. G. Owens, 2001, table 5.1).
	maxWidthMM = 5
	// minContrast is the least contrast, in noise deviations of the tray, that
	// goes without a warning.
	minContrast = 12
)

// refuse says why a picture cannot be measured.
func refuse(p *Picture, r *segment.Result, pxPerMM float64) error {
	bad := func(hint, what string, a ...any) error { return fault.New(p.Name, hint, what, a...) }
	total, heaped := 0.0, 0.0
	for _, q := range r.Pieces {
		total += q.Area
	}
	for _, q := range r.Unresolved {
		heaped += q.Area
	}
	for _, q := range r.Heaps {
		heaped += q.AreaPx2
	}
	total += heaped
	switch {
	case total == 0 && len(r.Objects) > 0:
		return bad("spread the rice one layer deep, and take away what is no rice; kernels must differ from the tray in lightness or colour",
			"no kernel found: what lies there looks like a heap or like a large thing that is no rice")
	case total == 0:
		return bad("check that the sample was on the tray and the lamp on; kernels must differ from the tray in lightness or colour",
			"no kernel found: nothing that looks like rice differs from the tray")
	case heaped > maxUnresolved*total:
		return bad("shake the tray until the rice lies one layer deep, or spread less rice and pool several pictures",
			"%.0f %% of the rice lies in heaps that cannot be told apart into kernels", 100*heaped/total)
	case r.TooWide(min(p.Width, p.Height)) || pxPerMM > 0 && r.Model.Width > maxWidthMM*pxPerMM:
		return bad("spread the rice one layer deep; check the scale (--dpi); show a hundred kernels or more in a picture",
			"what lies on the tray is %.0f pixels wide%s, too wide for a kernel: a heap, a foreign body or too close a view",
			r.Model.Width, inMM(r.Model.Width, pxPerMM))
	case r.Model.Width < minWidthPx:
		return bad("scan at a higher resolution: 300 dpi gives a slender kernel 20 pixels",
			"kernels are only %.1f pixels wide; under %d pixels their length cannot be told to a few percent", r.Model.Width, minWidthPx)
	}
	return nil
}

// doubt returns a warning about something measured; metric says what value and
// limit are of, in which unit.
func doubt(code, metric string, value, limit float64, hint, text string, a ...any) kernel.Warning {
	return kernel.Warning{Code: code, Text: fmt.Sprintf(text, a...), Hint: hint, Value: value, Limit: limit, Metric: metric}
}

// doubts are the warnings that leave a result standing. Groups that were not
// separated are for the grading to speak of: it knows what they cost.
func doubts(r *segment.Result, pxPerMM float64) []kernel.Warning {
	var out []kernel.Warning
	warn := func(code, metric string, value, limit float64, hint, text string, a ...any) {
		out = append(out, doubt(code, metric, value, limit, hint, text, a...))
	}
	if b := r.BlurSigma / r.Model.Width; b > maxBlur {
		warn("blurred", "blur (standard deviation) over kernel width", b, maxBlur,
			"clean the glass, focus, hold the camera still; scan at the scanner's true optical resolution",
			"the picture is blurred: edges spread over %.1f pixels, %.0f %% of a kernel's width", r.BlurSigma, 100*b)
	}
	if r.Model.Width < fewWidthPx {
		warn("small_kernels", "kernel width, px", r.Model.Width, fewWidthPx,
			"scan at 300 dpi or more",
			"kernels are only %.1f pixels wide; small brokens are measured roughly", r.Model.Width)
	}
	if c := r.Contrast / r.TraySigma; c < minContrast {
		warn("low_contrast", "kernel contrast over the tray's own spread", c, minContrast,
			"use a darker, plainer tray and more light",
			"kernels stand out little from the tray: %.0f grey values over a spread of %.1f", r.Contrast, r.TraySigma)
	}
	if l := r.Model.Length / pxPerMM; pxPerMM > 0 && (l < minUsualLengthMM || l > maxUsualLengthMM) {
		limit := minUsualLengthMM
		if l > maxUsualLengthMM {
			limit = maxUsualLengthMM
		}
		warn("scale_doubted", "length of the usual whole kernel, mm", l, limit,
			"check where the scale comes from: --dpi, --scale, --coin, the card, or the resolution stored in the picture",
			"whole kernels would be %.1f mm long by this scale, and rice has %g to %g mm", l, minUsualLengthMM, float64(maxUsualLengthMM))
	}
	return out
}

func inMM(px, pxPerMM float64) string {
	if pxPerMM <= 0 {
		return ""
	}
	return fmt.Sprintf(" (%.1f mm)", px/pxPerMM)
}
