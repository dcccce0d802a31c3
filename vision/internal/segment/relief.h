// The heights that outlines are traced on, for one piece; outline.go says what
// they are. Written in C for the compiler to make vectors of: nine tenths of the
// pixels that the program looks at more than once are looked at here.
#include <stddef.h>
#include <stdint.h>

// labels writes, for a tile of the working picture, the label `which` and all
// others as planes of 0 and 1, blurred by a kernel of five, half of which is
// kernel; the outermost two pixels are blurred in one direction only. Beyond the
// picture of width × height labels it goes on as at its edge. scratch: 2*w*h
// floats.
void labels(const int32_t *label, int width, int height, int x, int y, int w, int h, int32_t which,
	const float kernel[3], float *own, float *other, float *scratch);

// A tile around a piece; no pointers, so that Go may hand it over.
typedef struct {
	int32_t stride;         // pixels in a row of the picture
	int32_t x, y, w, h;     // place in the picture and size; its outermost pixels are outside
	int32_t lx, ly, lw, lh; // the same of the working tile
	double sx, sy;          // pixels of the picture per working pixel
	float far_out, far_in;  // from which own on a pixel may be, and surely is, of the piece
	float dir[3], base;     // contrast = dir · colour - base
	float floor;            // least level of the rim
	int32_t reach;          // of that level, px
} relief_tile;

// relief_scratch is how many floats relief needs for itself.
size_t relief_scratch(const relief_tile *t);

// relief fills for each pixel of the tile: its height; its contrast; the greatest
// contrast within reach; whether it is inside (1) or not (0); whether it is
// outside only because a neighbour has it.
void relief(const relief_tile *t, const uint8_t *pix, const float *own, const float *other,
	float *height, float *contrast, float *level, uint8_t *inside, uint8_t *divided, float *scratch);
