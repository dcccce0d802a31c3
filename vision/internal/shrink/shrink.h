#include <stddef.h>
#include <stdint.h>

// shrink_rows computes rows first to last-1 of a picture of out_width ×
// out_height from one of width × height, neither side of which it enlarges: each
// pixel is the mean over the area that it stands for. Pixels have three bytes.
// line is memory for 3*width floats.
void shrink_rows(const uint8_t *from, int width, int height, uint8_t *to, int out_width, int out_height, int first, int last, float *line);

// shrink_luma computes rows first to last-1 of the luma, by Rec. 601, of a picture
// of out_width columns, each pixel of which stands for a square of step pixels of
// one of the given width: it is the mean of up to 3 × 3 places in it. line is
// memory for 3*width numbers.
void shrink_luma(const uint8_t *from, int width, uint8_t *to, int out_width, int step, int first, int last, uint16_t *line);
