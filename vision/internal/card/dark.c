#include "dark.h"

#include <string.h>

void dark_range(const uint8_t *v, int w, int rows, uint8_t *low, uint8_t *high, uint8_t *line) {
	// Down first, all columns side by side, then across.
	uint8_t *restrict least = line, *restrict most = line + w;
	memcpy(least, v, w);
	memcpy(most, v, w);
	for (int y = 1; y < rows; y++) {
		const uint8_t *restrict row = v + y * w;
		for (int x = 0; x < w; x++) {
			least[x] = row[x] < least[x] ? row[x] : least[x];
			most[x] = row[x] > most[x] ? row[x] : most[x];
		}
	}
	for (int i = 0, x = 0; x < w; i++) {
		low[i] = least[x], high[i] = most[x];
		for (x++; x < w && x % DARK_BLOCK != 0; x++) {
			low[i] = least[x] < low[i] ? least[x] : low[i];
			high[i] = most[x] > high[i] ? most[x] : high[i];
		}
	}
}

void dark_below(const uint8_t *v, int w, int rows, const uint8_t *limit, uint8_t *below) {
	for (int y = 0; y < rows; y++) {
		const uint8_t *row = v + y * w;
		uint8_t *restrict out = below + y * w;
		int x = 0;
		for (; x + DARK_BLOCK <= w; x += DARK_BLOCK) {
			const uint8_t l = limit[x / DARK_BLOCK];
			for (int k = 0; k < DARK_BLOCK; k++)
				out[x + k] = row[x + k] < l;
		}
		for (; x < w; x++)
			out[x] = row[x] < limit[x / DARK_BLOCK];
	}
}
