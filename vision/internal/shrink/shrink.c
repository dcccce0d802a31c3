#include "shrink.h"

// One copy for each kind of vectors; which one runs is settled when the program
// starts. All round alike: products and sums are not fused.
#if defined(__x86_64__)
#define WIDEST_VECTORS __attribute__((target_clones("avx512f", "avx2", "default")))
#else
#define WIDEST_VECTORS
#endif

// A side cut in equal parts, in units of the original.
typedef struct {
	int first, last;          // of the whole and partial units that a part covers
	float at_first, at_last;  // how much of these two, between all others are whole
} part;

static inline part part_of(int i, int parts, int side) {
	const double step = (double)side / parts, from = i * step, to = from + step;
	part p = {(int)from, (int)to};
	p.at_first = (float)(p.first + 1 - from);
	p.at_last = (float)(to - p.last);
	if (p.last >= side || p.at_last < 1e-3) { // ends with the unit before
		p.last--;
		p.at_last = 1;
	}
	if (p.first == p.last)
		p.at_first = p.at_last = (float)step;
	return p;
}

WIDEST_VECTORS void shrink_rows(const uint8_t *from, int width, int height, uint8_t *to, int out_width, int out_height, int first, int last, float *restrict line) {
	const float whole = (float)((double)out_width / width * out_height / height);
	for (int y = first; y < last; y++) {
		// Down first, all columns side by side, then across.
		const part down = part_of(y, out_height, height);
		for (int j = down.first; j <= down.last; j++) {
			const uint8_t *restrict row = from + (ptrdiff_t)3 * width * j;
			const float weight = j == down.first ? down.at_first : j == down.last ? down.at_last : 1;
			if (j == down.first)
				for (int i = 0; i < 3 * width; i++)
					line[i] = weight * row[i];
			else
				for (int i = 0; i < 3 * width; i++)
					line[i] += weight * row[i];
		}
		uint8_t *out = to + (ptrdiff_t)3 * out_width * y;
		for (int x = 0; x < out_width; x++) {
			const part across = part_of(x, out_width, width);
			const float *p = line + 3 * across.first, *end = line + 3 * across.last;
			float b = across.at_first * p[0], g = across.at_first * p[1], r = across.at_first * p[2];
			if (p < end) {
				for (p += 3; p < end; p += 3)
					b += p[0], g += p[1], r += p[2];
				b += across.at_last * p[0], g += across.at_last * p[1], r += across.at_last * p[2];
			}
			out[3 * x] = (uint8_t)(b * whole + 0.5f);
			out[3 * x + 1] = (uint8_t)(g * whole + 0.5f);
			out[3 * x + 2] = (uint8_t)(r * whole + 0.5f);
		}
	}
}

// luma has the number of places on a side as a constant.
static inline __attribute__((always_inline)) void luma(const uint8_t *from, int width, uint8_t *to, int out_width, int step, int first, int last, uint16_t *restrict line, const int n) {
	for (int y = first; y < last; y++) {
		for (int k = 0; k < n; k++) {
			const uint8_t *restrict row = from + (ptrdiff_t)3 * width * (y * step + (2 * k + 1) * step / (2 * n));
			if (k == 0)
				for (int i = 0; i < 3 * width; i++)
					line[i] = row[i];
			else
				for (int i = 0; i < 3 * width; i++)
					line[i] += row[i];
		}
		uint8_t *out = to + (ptrdiff_t)out_width * y;
		for (int x = 0; x < out_width; x++) {
			unsigned sum = 0;
			for (int k = 0; k < n; k++) {
				const uint16_t *p = line + 3 * (x * step + (2 * k + 1) * step / (2 * n));
				sum += 29u * p[0] + 150u * p[1] + 77u * p[2];
			}
			out[x] = (uint8_t)(sum / (256u * n * n));
		}
	}
}

WIDEST_VECTORS void shrink_luma(const uint8_t *from, int width, uint8_t *to, int out_width, int step, int first, int last, uint16_t *line) {
	if (step == 1)
		luma(from, width, to, out_width, 1, first, last, line, 1);
	else if (step == 2)
		luma(from, width, to, out_width, 2, first, last, line, 2);
	else if (step == 3)
		luma(from, width, to, out_width, 3, first, last, line, 3);
	else
		luma(from, width, to, out_width, step, first, last, line, 3);
}
