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

typedef struct opencv_net opencv_net;

char *opencv_net_new(const void *onnx, size_t size, opencv_net **net);
void opencv_net_free(opencv_net *net);

// Three planes of floats in, count planes of size[1] × size[0] out, which are
// there until the next call.
char *opencv_net_forward(opencv_net *net, const float *planes, int width, int height, const float **out, int *count, int size[2]);

#ifdef __cplusplus
}
#endif
