// The convolutions for vectors of LANES floats. In the innermost loop TALL
// results of up to three vectors stay in registers: 24 of 32 with AVX-512, 12 of
// 16 else.
#include "conv.h"

#define WIDE (3 * LANES) // floats of a run of vectors

typedef float vec __attribute__((vector_size(4 * LANES), may_alias));
typedef float vec_at __attribute__((vector_size(4 * LANES), aligned(4), may_alias)); // anywhere
typedef int32_t veci __attribute__((vector_size(4 * LANES)));

#define ALWAYS static inline __attribute__((always_inline))

ALWAYS vec load(const float *p) { return *(const vec_at *)p; }
ALWAYS void store(float *p, vec v) { *(vec_at *)p = v; }
ALWAYS vec all(float f) { return f - (vec){}; }
ALWAYS vec greater(vec a, vec b) {
#ifdef GREATER
	return GREATER(a, b);
#else
	const veci from_a = a > b;
	return (vec)(((veci)a & from_a) | ((veci)b & ~from_a));
#endif
}
ALWAYS vec relu(vec v) { return greater(v, (vec){}); }

// times computes TALL results of n vectors: m[c] = sum of w[k][c] * v[k].
ALWAYS void times(int n, const float *w, const float *v, ptrdiff_t stride, int count, float *m, ptrdiff_t m_stride) {
	vec sum[TALL][3];
#pragma GCC unroll 8
	for (int c = 0; c < TALL; c++)
#pragma GCC unroll 3
		for (int i = 0; i < n; i++)
			sum[c][i] = (vec){};
	for (int k = 0; k < count; k++, w += CONV_BLOCK, v += stride) {
		vec x[3];
#pragma GCC unroll 3
		for (int i = 0; i < n; i++)
			x[i] = load(v + i * LANES);
#pragma GCC unroll 8
		for (int c = 0; c < TALL; c++)
#pragma GCC unroll 3
			for (int i = 0; i < n; i++)
				sum[c][i] += all(w[c]) * x[i];
	}
#pragma GCC unroll 8
	for (int c = 0; c < TALL; c++)
#pragma GCC unroll 3
		for (int i = 0; i < n; i++)
			store(m + c * m_stride + i * LANES, sum[c][i]);
}

// product computes results in blocks, of n = 1 to 3 vectors.
static void product(int n, const float *w, const float *v, ptrdiff_t stride, int count, float *m, ptrdiff_t m_stride, int channels) {
	for (int c = 0; c < channels; c += CONV_BLOCK, w += (ptrdiff_t)CONV_BLOCK * count)
		for (int d = 0; d < CONV_BLOCK; d += TALL) {
			float *to = m + (c + d) * m_stride;
			switch (n) {
			case 1:
				times(1, w + d, v, stride, count, to, m_stride);
				break;
			case 2:
				times(2, w + d, v, stride, count, to, m_stride);
				break;
			default:
				times(3, w + d, v, stride, count, to, m_stride);
			}
		}
}

// row_at returns where a row begins; NULL where there are no planes.
ALWAYS float *row_at(const conv_planes *p, int y) { return p->at ? p->at + y % p->kept * p->row : NULL; }

// row_of returns where a row of a channel begins, beyond the planes zeros.
ALWAYS const float *row_of(const conv_planes *p, int y, int channel, const float *zeros) {
	return y < 0 || y >= p->rows ? zeros : row_at(p, y) + channel * p->channel;
}

// The 16 values of product i*4+j lie i*4+j times step apart.
ALWAYS void spread(vec a, vec b, vec c, vec d, float *to, ptrdiff_t step) {
	store(to, a - c);
	store(to + 4 * step, b + c);
	store(to + 8 * step, c - b);
	store(to + 12 * step, b - d);
}

// transform_plain brings squares of 4 × 4 to the 16 factors.
static void transform_plain(const conv_planes *p, int pair, int at, int n, const float *zeros, float *to, ptrdiff_t step) {
	for (int k = 0; k < p->channels; k++, to += WIDE) {
		const float *r[4];
		for (int y = 0; y < 4; y++)
			r[y] = row_of(p, 2 * pair - 1 + y, k, zeros) + at;
		const ptrdiff_t odd = p->odd;
		for (int i = 0; i < n * LANES; i += LANES) {
#define ACROSS(y, first, sign, second) (load(r[y] + i + first) sign load(r[y] + i + second))
#define DOWN(j, first, sign, second) \
	spread(ACROSS(0, first, sign, second), ACROSS(1, first, sign, second), ACROSS(2, first, sign, second), ACROSS(3, first, sign, second), to + i + j * step, step)
			DOWN(0, odd - 1, -, odd);
			DOWN(1, 0, +, odd);
			DOWN(2, odd, -, 0);
			DOWN(3, 0, -, 1);
		}
	}
}

// transform_coarse does so for planes of half the size, each value of which
// stands for 2 × 2: a square has the columns a b b c then, so that of the four
// factors in a direction one is 0 and is left out.
static void transform_coarse(const conv_planes *p, int pair, int at, int n, const float *zeros, float *to, ptrdiff_t step) {
	for (int k = 0; k < p->channels; k++, to += WIDE) {
		const float *r[3];
		for (int y = 0; y < 3; y++)
			r[y] = row_of(p, pair - 1 + y, k, zeros) + at;
		for (int i = 0; i < n * LANES; i += LANES) {
#pragma GCC unroll 3
			for (int j = 0; j < 3; j++) {
				vec h[3];
#pragma GCC unroll 3
				for (int y = 0; y < 3; y++) {
					const float *q = r[y] + i;
					vec b = load(q);
					h[y] = j == 0 ? load(q - 1) - b : j == 1 ? b + b : b - load(q + 1);
				}
				float *t = to + i + (j == 2 ? 3 : j) * step;
				store(t, h[0] - h[1]);
				store(t + 4 * step, h[1] + h[1]);
				store(t + 12 * step, h[1] - h[2]);
			}
		}
	}
}

// end puts zeros behind the columns of a row, where vectors have left others, and
// before them.
ALWAYS void end(float *row, int cols) {
	row[-1] = 0;
	for (int i = 0; i < LANES; i++)
		row[cols + i] = 0;
}

// apart writes columns in order to even and odd ones.
static void apart(const float *from, int cols, float *even, float *odd) {
	for (int i = 0; i < cols / 2; i++) {
		even[i] = from[2 * i];
		odd[i] = from[2 * i + 1];
	}
	if (cols % 2)
		even[cols / 2] = from[cols - 1];
	end(even, (cols + 1) / 2);
	end(odd, cols / 2);
}

#define EACH4(f) f(0), f(1), f(2), f(3)
#define EACH8(f, o) f(o), f(o + 1), f(o + 2), f(o + 3), f(o + 4), f(o + 5), f(o + 6), f(o + 7)
#define LOW(i) (i) / 2 + (i) % 2 * LANES
#define HIGH(i) LANES / 2 + (i) / 2 + (i) % 2 * LANES
#if LANES == 4
#define MASK(f) (veci) { EACH4(f) }
#elif LANES == 8
#define MASK(f) (veci) { EACH8(f, 0) }
#else
#define MASK(f) (veci) { EACH8(f, 0), EACH8(f, 8) }
#endif

// ordered writes even and odd columns in order.
ALWAYS void in_order(float *to, vec even, vec odd) {
	store(to, __builtin_shuffle(even, odd, MASK(LOW)));
	store(to + LANES, __builtin_shuffle(even, odd, MASK(HIGH)));
}

// head computes the maps of a pair of rows. in holds row after row, even before
// odd columns, each with its channels row_step apart.
static void head(const conv_step *s, int in_channels, const float *in, ptrdiff_t row_step, float *results, float *maps) {
	const int squares = (s->cols + 1) / 2, vectors = (squares + LANES - 1) / LANES;
	const int channels = (s->maps + CONV_BLOCK - 1) / CONV_BLOCK * CONV_BLOCK;
	for (int y = 0; y < 2; y++) {
		for (int odd = 0; odd < 2; odd++) {
			const float *v = in + (2 * y + odd) * in_channels * row_step;
			float *m = results + odd * channels * row_step;
			for (int i = 0, n; i < vectors; i += n) {
				n = vectors - i > 4 || vectors - i == 3 ? 3 : vectors - i > 1 ? 2 : 1;
				product(n, s->head, v + i * LANES, row_step, s->channels, m + i * LANES, row_step, channels);
			}
		}
		// Result 4·map + 2·dy + dx is place (dx, dy) of its square.
		for (int c = 0; c < s->maps; c += 2) {
			const float *a = results + c * row_step, *b = a + row_step;
			const float *oa = a + channels * row_step, *ob = oa + row_step;
			const float u = s->head_bias[c], v = s->head_bias[c + 1];
			float *to = maps + ((ptrdiff_t)(c / 4 * 4) + 2 * y + c / 2 % 2) * 4 * squares;
			for (int i = 0; i < squares; i++) {
				to[4 * i] = a[i] + u;
				to[4 * i + 1] = b[i] + v;
				to[4 * i + 2] = oa[i] + u;
				to[4 * i + 3] = ob[i] + v;
			}
		}
	}
}

static void rows(const conv_step *s, int pair, float *scratch, float *maps) {
	const int squares = (s->cols + 1) / 2, vectors = (squares + LANES - 1) / LANES;
	const int plain = s->plain.channels, coarse = s->coarse.channels, in = plain + coarse;
	const int channels = (s->channels + CONV_BLOCK - 1) / CONV_BLOCK * CONV_BLOCK;
	const ptrdiff_t v_step = (ptrdiff_t)in * WIDE, m_step = (ptrdiff_t)channels * WIDE, row_step = (vectors + 1) * LANES;
	float *v = scratch, *m = v + 16 * v_step, *pooled = m + 16 * m_step, *last = pooled + row_step * channels;
	const int second = 2 * pair + 1 < s->rows;
	float *const out[2] = {row_at(&s->out, 2 * pair), row_at(&s->out, 2 * pair + 1)};
	float *const ordered[2] = {row_at(&s->ordered, 2 * pair), row_at(&s->ordered, 2 * pair + 1)};

	for (int i = 0, n; i < vectors; i += n) {
		n = vectors - i > 4 || vectors - i == 3 ? 3 : vectors - i > 1 ? 2 : 1;
		const int at = i * LANES;
		transform_plain(&s->plain, pair, at, n, s->zeros, v, v_step);
		if (coarse)
			transform_coarse(&s->coarse, pair, at, n, s->zeros, v + plain * WIDE, v_step);
		const float *w = s->weights;
		for (int j = 0; j < 16; j++) {
			const int count = j / 4 == 2 || j % 4 == 2 ? plain : in;
			product(n, w, v + j * v_step, WIDE, count, m + j * m_step, WIDE, channels);
			w += (ptrdiff_t)channels * count;
		}
		for (int c = 0; c < s->channels; c++) {
			const vec bias = all(s->bias[c]);
			for (int k = 0; k < n * LANES; k += LANES) {
				const float *q = m + c * WIDE + k;
				vec a[4], b[4];
#pragma GCC unroll 4
				for (int j = 0; j < 4; j++) {
					const vec m0 = load(q + j * m_step), m1 = load(q + (4 + j) * m_step), m2 = load(q + (8 + j) * m_step), m3 = load(q + (12 + j) * m_step);
					a[j] = m0 + m1 + m2;
					b[j] = m1 - m2 - m3;
				}
				const vec ae = relu(a[0] + a[1] + a[2] + bias), ao = relu(a[1] - a[2] - a[3] + bias);
				const vec be = relu(b[0] + b[1] + b[2] + bias), bo = relu(b[1] - b[2] - b[3] + bias);
				if (s->out.at) {
					const ptrdiff_t to = c * s->out.channel + at + k;
					store(out[0] + to, ae);
					store(out[0] + to + s->out.odd, ao);
					if (second) {
						store(out[1] + to, be);
						store(out[1] + to + s->out.odd, bo);
					}
				}
				if (s->ordered.at) {
					const ptrdiff_t to = c * s->ordered.channel + 2 * (at + k);
					in_order(ordered[0] + to, ae, ao);
					if (second)
						in_order(ordered[1] + to, be, bo);
				}
				if (s->pooled.at)
					store(pooled + c * row_step + at + k, greater(greater(ae, ao), greater(be, bo)));
				if (s->head) {
					float *to = last + c * row_step + at + k;
					store(to, ae);
					store(to + channels * row_step, ao);
					store(to + 2 * channels * row_step, be);
					store(to + 3 * channels * row_step, bo);
				}
			}
		}
	}
	for (int c = 0; c < s->channels; c++) {
		for (int y = 0; y <= second; y++) {
			if (s->out.at) {
				float *row = out[y] + c * s->out.channel;
				end(row, squares);
				end(row + s->out.odd, s->cols / 2);
			}
			if (s->ordered.at)
				end(ordered[y] + c * s->ordered.channel, s->cols);
		}
		if (s->pooled.at && second) {
			float *row = row_at(&s->pooled, pair) + c * s->pooled.channel;
			apart(pooled + c * row_step, s->cols / 2, row, row + s->pooled.odd);
		}
	}
	if (s->head)
		head(s, channels, last, row_step, last + 4 * channels * row_step, maps);
}

// stem computes one row. The columns of the picture are kept in four: x mod 4.
static void stem(const conv_stem *s, int row, float *scratch) {
	const int quarter = s->width / 4, vectors = (quarter + LANES - 1) / LANES;
	const ptrdiff_t step = CONV_MARGIN + vectors * LANES + CONV_MARGIN;
	const int channels = (s->out.channels + CONV_BLOCK - 1) / CONV_BLOCK * CONV_BLOCK;
	float *in = scratch + CONV_MARGIN, *v = scratch + 48 * step, *m = v + 48 * WIDE;
	for (int y = 0; y < 4; y++) {
		const int from = 2 * row - 1 + y, there = from < s->rows ? from : s->rows - 1;
		for (int c = 0; c < 3; c++)
			for (int x = 0; x < 4; x++) {
				float *to = in + ((c * 4 + y) * 4 + x) * step;
				to[-1] = 0;
				for (int i = quarter; i < vectors * LANES + 1; i++)
					to[i] = 0;
				if (from < 0 || from >= s->height)
					for (int i = 0; i < quarter; i++)
						to[i] = 0;
				else {
					const uint8_t *q = s->pixels + there * s->stride + c;
					const int whole = (s->cols - x + 3) / 4; // pixels there are
					for (int i = 0; i < whole; i++)
						to[i] = q[12 * i + 3 * x] * (1.f / 255) - 0.5f;
					for (int i = whole; i < quarter; i++)
						to[i] = q[3 * (s->cols - 1)] * (1.f / 255) - 0.5f;
				}
			}
	}
	float *out = row_at(&s->out, row);
	for (int i = 0, n; i < vectors; i += n) {
		n = vectors - i > 4 || vectors - i == 3 ? 3 : vectors - i > 1 ? 2 : 1;
		for (int odd = 0; odd < 2; odd++) {
			// Result 2t+odd takes the columns 4t+2·odd-1 to 4t+2·odd+2.
			for (int k = 0; k < 48; k++) {
				const int x = 2 * odd - 1 + k % 4;
				const float *from = in + (k / 4 * 4 + (x + 4) % 4) * step + i * LANES + (x < 0 ? -1 : x / 4);
				for (int j = 0; j < n * LANES; j += LANES)
					store(v + k * WIDE + j, load(from + j));
			}
			product(n, s->weights, v, WIDE, 48, m, WIDE, channels);
			for (int c = 0; c < s->out.channels; c++)
				for (int j = 0; j < n * LANES; j += LANES)
					store(out + c * s->out.channel + odd * s->out.odd + i * LANES + j, relu(load(m + c * WIDE + j) + all(s->bias[c])));
		}
	}
	for (int c = 0; c < s->out.channels; c++) {
		end(out + c * s->out.channel, quarter);
		end(out + c * s->out.channel + s->out.odd, quarter);
	}
}

typedef struct {
	void (*rows)(const conv_step *, int, float *, float *);
	void (*stem)(const conv_stem *, int, float *);
} conv_way;

extern const conv_way WAY;
const conv_way WAY = {rows, stem};
