#include <stdint.h>

// Side of the squares of dark, px.
#define DARK_BLOCK 8

// dark_range finds the least and the greatest of each square in a band of up to
// DARK_BLOCK rows of w values. line is memory for 2*w bytes.
void dark_range(const uint8_t *v, int w, int rows, uint8_t *low, uint8_t *high, uint8_t *line);

// dark_below marks with 1 what is less than the limit of its square, in rows rows
// of w values.
void dark_below(const uint8_t *v, int w, int rows, const uint8_t *limit, uint8_t *below);
