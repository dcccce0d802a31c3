#include <stddef.h>

// How a call ended.
enum { JPEG_DONE, JPEG_DAMAGED, JPEG_ENDS_EARLY, JPEG_UNSUPPORTED, JPEG_NO_MEMORY };

// What a JPEG says about itself, and why it is refused.
typedef struct {
	int width, height;
	int density_unit, density_x, density_y; // JFIF: unit 0 ratio, 1 inch, 2 cm; all 0 without
	double coefficients;                    // bytes that decoding holds beside the pixels
	char why[256];
} jpeg_info;

// Reads the header, and where bgr is not null all width × height pixels too,
// which must be as an earlier call gave them.
int jpeg_read(const unsigned char *data, size_t size, jpeg_info *info, unsigned char *bgr);
