package segment

// #cgo CFLAGS: -O3 -std=c11
// #include "relief.h"
import "C"

import "unsafe"

func floatsOf(f []float32) *C.float { return (*C.float)(unsafe.SliceData(f)) }

func bytesOf(b []uint8) *C.uint8_t { return (*C.uint8_t)(unsafe.SliceData(b)) }

// labels blurs the label of a piece, and those of all others, around it.
func (o *outliner) labels(s *blob, label int32) {
	const pad = groundReach + 2
	o.lx, o.ly, o.lw, o.lh = s.minX-pad, s.minY-pad, s.maxX-s.minX+2*pad, s.maxY-s.minY+2*pad
	n := o.lw * o.lh
	o.own, o.other, o.scratch = grow(o.own, n), grow(o.other, n), grow(o.scratch, n)
	C.labels((*C.int32_t)(unsafe.SliceData(o.b.label)), C.int(o.m.w), C.int(o.m.h), C.int(o.lx), C.int(o.ly), C.int(o.lw), C.int(o.lh),
		C.int32_t(label), floatsOf(blurKernel[:]), floatsOf(o.own), floatsOf(o.other), floatsOf(o.scratch))
}

// relief fills the heights of the tile; it reports whether the piece differs
// from the ground at all.
func (o *outliner) relief(rice, ground [3]float64) bool {
	span := dist3(rice, ground)
	if span < 1 {
		return false
	}
	t := C.relief_tile{
		stride: C.int32_t(o.p.W), x: C.int32_t(o.x0), y: C.int32_t(o.y0), w: C.int32_t(o.w), h: C.int32_t(o.h),
		lx: C.int32_t(o.lx), ly: C.int32_t(o.ly), lw: C.int32_t(o.lw), lh: C.int32_t(o.lh),
		sx: C.double(o.m.sx), sy: C.double(o.m.sy), far_out: farOut, far_in: farIn,
		floor: C.float(max(leastLevel*span, 2*o.p.least())), reach: C.int32_t(o.reach),
	}
	for c := range t.dir {
		t.dir[c] = C.float((rice[c] - ground[c]) / span)
		t.base += t.dir[c] * C.float(ground[c])
	}
	n := o.w * o.h
	o.height, o.contrast, o.level = grow(o.height, n), grow(o.contrast, n), grow(o.level, n)
	o.inside, o.divided = grow(o.inside, n), grow(o.divided, n)
	o.scratch = grow(o.scratch, int(C.relief_scratch(&t)))
	C.relief(&t, bytesOf(o.p.Pix), floatsOf(o.own), floatsOf(o.other),
		floatsOf(o.height), floatsOf(o.contrast), floatsOf(o.level), bytesOf(o.inside), bytesOf(o.divided), floatsOf(o.scratch))
	return true
}
