// Convolutions of 3 × 3 by Winograd's minimal filtering F(2×2, 3×3) (A. Lavin and
// S. Gray, Fast Algorithms for Convolutional Neural Networks, CVPR 2016, section
// 4.1): squares of 2 × 2 results from squares of 4 × 4 values, with 16
// multiplications where the plain way takes 36.
//
// A vector holds the same place of neighbouring squares. Planes therefore keep
// the even and the odd columns of a row apart: what a vector takes then lies side
// by side.
#include <stddef.h>
#include <stdint.h>

// Weights come in blocks of so many results.
#define CONV_BLOCK 8

// Floats between the columns of one row, rounded up to whole vectors, and those of
// the next, and before the first, so that vectors may reach beyond.
#define CONV_MARGIN 16

// Planes of floats, of which the last rows are kept: row y lies where row y - kept
// lay. Outside of the planes everything is 0: the floats next to a row are zeros,
// and rows above and below are read from a row of zeros.
typedef struct {
	float *at;                    // column 0 of row 0 of channel 0; NULL: none
	ptrdiff_t row, channel, odd;  // floats to the next row, to the next channel, from the even to the odd columns (0: columns lie in order)
	int32_t channels, rows, cols, kept;
} conv_planes;

// One convolution of 3 × 3 with ReLU, and what is made of it at once.
typedef struct {
	conv_planes plain, coarse; // read as they are, and with each value doubled in both directions
	conv_planes out;           // even and odd columns apart
	conv_planes ordered;       // the same, columns in order
	conv_planes pooled;        // the greatest of each 2 × 2, even and odd columns apart
	const float *zeros;        // as long as the longest row of one channel, with margins
	// For each of the 16 products, block of CONV_BLOCK results and channel
	// (plain ones first; coarse ones only where a product is not 0 by itself):
	// CONV_BLOCK weights.
	const float *weights, *bias;
	int32_t channels, rows, cols; // of the result; channels rounded up to whole blocks are in weights and bias
	// A convolution of 1 × 1 after it, whose results stand for 2 × 2 places each;
	// NULL: none.
	const float *head, *head_bias;
	int32_t maps;
} conv_step;

// The first convolution: 4 × 4 with ReLU, in steps of 2, of BGR pixels brought to
// value/255 - 1/2. Where there are no pixels, up to width and height, it takes the
// last ones of their row or column.
typedef struct {
	const uint8_t *pixels;
	ptrdiff_t stride;      // bytes from row to row
	int32_t cols, rows;    // of the pixels
	int32_t width, height; // multiples of 4
	conv_planes out;       // even and odd columns apart
	const float *weights, *bias;
} conv_stem;

// How it is computed; a way that this processor has not must not be asked for.
enum { CONV_PLAIN, CONV_AVX2, CONV_AVX512, CONV_WAYS };
int conv_has(int way);

// Floats that a call needs for itself.
size_t conv_scratch(const conv_step *s);
size_t conv_stem_scratch(const conv_stem *s);

// Computes rows 2*pair and 2*pair+1 of the result. Where there is a head, maps
// receives its maps: for each map four rows of 4*ceil(cols/2) floats, full size,
// so far as they lie in the picture.
void conv_rows(int way, const conv_step *s, int pair, float *scratch, float *maps);
void conv_stem_row(int way, const conv_stem *s, int row, float *scratch);
