// Four floats at a time, which every processor of 64 bits has.
#define LANES 4
#define TALL 4
#define WAY conv_way_plain
#include "conv_body.h"
