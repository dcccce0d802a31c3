#include "relief.h"

#include <string.h>

// One copy of a function for each kind of vectors; which one runs is settled when
// the program starts. All round alike: products and sums are not fused.
#if defined(__x86_64__)
#define WIDEST_VECTORS __attribute__((target_clones("avx512f", "avx2", "default")))
#else
#define WIDEST_VECTORS
#endif

#define INLINE static inline __attribute__((always_inline))

INLINE int clamp(int v, int low, int high) { return v < low ? low : v > high ? high : v; }

// blur takes a plane in two steps, by way of between.
INLINE void blur(float *a, int w, int h, const float k[3], float *between) {
	for (int y = 0; y < h; y++) {
		const float *r = a + y * w;
		float *to = between + y * w;
		memcpy(to, r, w * sizeof *r);
		for (int x = 2; x < w - 2; x++)
			to[x] = k[0] * r[x] + k[1] * (r[x - 1] + r[x + 1]) + k[2] * (r[x - 2] + r[x + 2]);
	}
	memcpy(a, between, (size_t)w * h * sizeof *a);
	for (int y = 2; y < h - 2; y++) {
		const float *r = between + y * w;
		float *to = a + y * w;
		for (int x = 0; x < w; x++)
			to[x] = k[0] * r[x] + k[1] * (r[x - w] + r[x + w]) + k[2] * (r[x - 2 * w] + r[x + 2 * w]);
	}
}

WIDEST_VECTORS void labels(const int32_t *label, int width, int height, int x0, int y0, int w, int h, int32_t which,
	const float kernel[3], float *own, float *other, float *scratch) {
	const int left = clamp(-x0, 0, w), right = clamp(width - x0, 0, w);
	for (int y = 0; y < h; y++) {
		const int32_t *from = label + (ptrdiff_t)clamp(y0 + y, 0, height - 1) * width + x0;
		float *a = own + y * w, *b = other + y * w;
		for (int x = left; x < right; x++) {
			a[x] = from[x] == which;
			b[x] = from[x] != which && from[x] != 0;
		}
		for (int x = 0; x < left; x++)
			a[x] = a[left], b[x] = b[left];
		for (int x = right; x < w; x++)
			a[x] = a[right - 1], b[x] = b[right - 1];
	}
	blur(own, w, h, kernel, scratch);
	blur(other, w, h, kernel, scratch);
}

size_t relief_scratch(const relief_tile *t) { return (size_t)t->w * (7 + t->h + t->h + 2 * t->reach) + 2 * t->reach; }

// greatest replaces each of n lines of w values by the greatest of it and the
// span-1 lines after it, of which there are so many: in steps that double what
// a line stands for.
INLINE void greatest(float *a, int n, int w, int span) {
	int have = 1;
	for (; 2 * have <= span; have *= 2)
		for (int i = 0; i < (n + span - 2 * have) * w; i++)
			a[i] = a[i] > a[i + have * w] ? a[i] : a[i + have * w];
	if (have < span)
		for (int i = 0; i < n * w; i++) {
			const float b = a[i + (span - have) * w];
			a[i] = a[i] > b ? a[i] : b;
		}
}

// dilate makes level the greatest of it within reach.
INLINE void dilate(const relief_tile *t, float *level, float *row, float *tall) {
	const int w = t->w, h = t->h, r = t->reach;
	memset(tall, 0, (size_t)r * w * sizeof *tall);
	memset(tall + (ptrdiff_t)(r + h) * w, 0, (size_t)r * w * sizeof *tall);
	for (int y = 0; y < h; y++) {
		memset(row, 0, r * sizeof *row);
		memcpy(row + r, level + y * w, w * sizeof *row);
		memset(row + r + w, 0, r * sizeof *row);
		greatest(row, w, 1, 2 * r + 1);
		memcpy(tall + (r + y) * w, row, w * sizeof *row);
	}
	greatest(tall, h, w, 2 * r + 1);
	memcpy(level, tall, (size_t)w * h * sizeof *level);
}

// wide brings a row of the working tile to the columns of the tile.
INLINE void wide(const float *restrict from, const int32_t *restrict column, const float *restrict part, int w, float *restrict to) {
	for (int x = 0; x < w; x++)
		to[x] = from[column[x]] + part[x] * (from[column[x] + 1] - from[column[x]]);
}

WIDEST_VECTORS void relief(const relief_tile *t, const uint8_t *pix, const float *own, const float *other,
	float *restrict height, float *restrict contrast, float *restrict level, uint8_t *restrict inside, uint8_t *restrict divided, float *restrict scratch) {
	const int w = t->w, h = t->h, lw = t->lw, n = w * h;
	const float far_out = t->far_out, far_in = t->far_in, floor = t->floor, base = t->base;
	const float blue = t->dir[0], green = t->dir[1], red = t->dir[2];
	// Rows j and j+1 of the working tile, in the tile's columns.
	float *own_here = scratch, *own_next = own_here + w, *other_here = own_next + w, *other_next = other_here + w;
	float *part = other_next + w, *row = part + w, *share = row + w + 2 * t->reach, *tall = share + n; // share: own, of each pixel
	int32_t *column = (int32_t *)(tall + (ptrdiff_t)w * (h + 2 * t->reach));
	for (int i = 0; i < n; i++)
		height[i] = -1;
	memset(contrast, 0, n * sizeof *contrast);
	memset(level, 0, n * sizeof *level);
	memset(share, 0, n * sizeof *share);
	for (int x = 0; x < w; x++) {
		const double fx = (t->x + x + 0.5) / t->sx - 0.5 - t->lx;
		column[x] = (int32_t)fx;
		part[x] = (float)(fx - column[x]);
	}
	int from = 0, to = 0; // the columns in which the piece may lie
	for (int y = 1, before = -1; y < h - 1; y++) {
		const double fy = (t->y + y + 0.5) / t->sy - 0.5 - t->ly;
		const int j = (int)fy;
		const float f = (float)(fy - j);
		if (j != before) {
			const float *a = own + j * lw, *b = other + j * lw;
			wide(a, column, part, w, own_here);
			wide(a + lw, column, part, w, own_next);
			wide(b, column, part, w, other_here);
			wide(b + lw, column, part, w, other_next);
			int first = lw, last = -1;
			for (int x = 0; x < lw; x++)
				if (a[x] >= far_out || a[lw + x] >= far_out) {
					if (last < 0)
						first = x;
					last = x;
				}
			from = clamp((int)((t->lx + first - 0.5) * t->sx - 0.5) - t->x, 1, w - 1);
			to = last < 0 ? from : clamp((int)((t->lx + last + 1.5) * t->sx - 0.5) + 2 - t->x, 1, w - 1);
			before = j;
		}
		const uint8_t *q = pix + 3 * ((ptrdiff_t)(t->y + y) * t->stride + t->x);
		float *restrict contrasts = contrast + y * w, *restrict heights = height + y * w, *restrict levels = level + y * w, *restrict shares = share + y * w;
		for (int x = from; x < to; x++) {
			const float a = own_here[x] + f * (own_next[x] - own_here[x]);
			const float b = other_here[x] + f * (other_next[x] - other_here[x]);
			const float c = blue * q[3 * x] + green * q[3 * x + 1] + red * q[3 * x + 2] - base;
			const float up = c > 0 ? c : 0, mine = a >= far_out ? up : 0, d = a - b;
			contrasts[x] = mine;
			shares[x] = a;
			heights[x] = a >= far_out ? d : -1;
			levels[x] = d >= 0 ? mine : 0; // neighbours' pixels raise no level
		}
	}
	dilate(t, level, row, tall);
	for (int i = 0; i < n; i++) {
		const float divide = height[i], rim = level[i] > floor ? level[i] : floor;
		const float plain = 2 * contrast[i] / rim - 1, deep = plain > 0.1f ? plain : 0.1f;
		const float edge = share[i] > far_in ? deep : plain;
		share[i] = edge;
		height[i] = edge < divide ? edge : divide; // where nothing is of the piece divide is -1, the least
	}
	for (int i = 0; i < n; i++)
		inside[i] = height[i] > 0;
	for (int i = 0; i < n; i++)
		divided[i] = (share[i] > 0) & (height[i] <= 0); // so divide, unlike edge, is not above 0
}
