#if defined(__x86_64__)
#pragma GCC target("avx2,fma")
#include <immintrin.h>
#define LANES 8
#define GREATER _mm256_max_ps
#define TALL 4
#define WAY conv_way_avx2
#include "conv_body.h"
#endif
