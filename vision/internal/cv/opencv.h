#include <stddef.h>
#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

// Every call returns NULL, or why it failed, to be freed by the caller. Sizes
// must fit: they are checked in Go. Pixels are 8-bit BGR without padding.

const char *opencv_version(void);

char *opencv_resize(const uint8_t *src, int width, int height, uint8_t *dst, int dst_width, int dst_height, int area);

// Each pixel of dst comes from its place in src, by cubic interpolation.
char *opencv_remap(const uint8_t *src, int width, int height, uint8_t *dst, int dst_width, int dst_height, const float *xs, const float *ys);

#ifdef __cplusplus
}
#endif
