#include <stddef.h>
#include <stdint.h>

// shrink_rows computes rows first to last-1 of a picture of out_width ×
// out_height from one of width × height, neither side of which it enlarges: each
// pixel is the mean over the area that it stands for. Pixels have three bytes.
// line is memory for 3*width floats.
void shrink_rows(const uint8_t *from, int width, int height, uint8_t *to, int out_width, int out_height, int first, int last, float *line);
