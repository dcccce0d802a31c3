#if defined(__x86_64__)
#pragma GCC target("avx512f,avx2,fma,prefer-vector-width=512")
#include <immintrin.h>
#define LANES 16
#define GREATER _mm512_max_ps
#define TALL 8
#define WAY conv_way_avx512
#include "conv_body.h"
#endif
