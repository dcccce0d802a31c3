#include "conv.h"

typedef struct {
	void (*rows)(const conv_step *, int, float *, float *);
	void (*stem)(const conv_stem *, int, float *);
} conv_way;

extern const conv_way conv_way_plain, conv_way_avx2, conv_way_avx512;

static const conv_way *way_of(int way) {
#if defined(__x86_64__)
	switch (way) {
	case CONV_AVX2:
		return &conv_way_avx2;
	case CONV_AVX512:
		return &conv_way_avx512;
	}
#endif
	return &conv_way_plain;
}

int conv_has(int way) {
#if defined(__x86_64__)
	switch (way) {
	case CONV_AVX2:
		return __builtin_cpu_supports("avx2") && __builtin_cpu_supports("fma");
	case CONV_AVX512:
		return __builtin_cpu_supports("avx512f") && __builtin_cpu_supports("fma");
	}
#endif
	return way == CONV_PLAIN;
}

// The longest vectors take 16 floats, and three of them are worked on at once.
#define WIDEST 48

static size_t blocks(size_t channels) { return (channels + CONV_BLOCK - 1) / CONV_BLOCK * CONV_BLOCK; }

size_t conv_scratch(const conv_step *s) {
	size_t in = s->plain.channels + s->coarse.channels, out = blocks(s->channels);
	size_t row = s->cols / 2 + 1 + WIDEST;
	size_t n = 16 * WIDEST * (in + out) + row * out; // products, and a pooled row
	if (s->head)
		n += 4 * row * out + 4 * row * blocks(s->maps);
	return n;
}

size_t conv_stem_scratch(const conv_stem *s) {
	return 48 * (s->width / 4 + 2 * CONV_MARGIN + WIDEST) + 48 * WIDEST + blocks(s->out.channels) * WIDEST;
}

void conv_rows(int way, const conv_step *s, int pair, float *scratch, float *maps) { way_of(way)->rows(s, pair, scratch, maps); }

void conv_stem_row(int way, const conv_stem *s, int row, float *scratch) { way_of(way)->stem(s, row, scratch); }
