package grading

// Figure returns what the sheet holds of one factor that no picture shows, by
// its usual code (moisture, foreign_matter, foreign_organic, foreign_inorganic
// in percent by mass, paddy_per_kg) or by the code of a figure entered by
// hand. known is false where it has no interval: only a count has one.
func (s *Sheet) Figure(code string) (e Estimate, known, ok bool) {
	if s == nil {
		return Estimate{}, false, false
	}
	if code == "paddy_per_kg" && s.PaddyCount != nil && s.PaddyFromG != nil {
		c := counted{n: int(*s.PaddyCount), grams: *s.PaddyFromG, portionG: 1000}
		return c.estimate(confidence), true, true
	}
	v, ok := s.value(code + "_pct")
	if h, byHand := s.ByHand[code]; byHand && h.Word == "" {
		v, ok = h.Number, true
	}
	return Estimate{Value: v, Low: v, High: v}, false, ok
}
