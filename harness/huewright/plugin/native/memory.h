/* Memory: the host's where it offers some. */
#ifndef HUEWRIGHT_MEMORY_H
#define HUEWRIGHT_MEMORY_H

#include "ofx_abi.h"

extern const OfxMemorySuite *host_memory; /* NULL: the C library's is taken */

void *take(size_t bytes); /* NULL if there is none; at multiples of 16 */
void *take_zeroed(size_t bytes);
void give(void *memory);

#endif
