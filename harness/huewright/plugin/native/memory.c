/* Memory: the host's where it offers some. */
#include "memory.h"

#include <stdint.h>
#include <stdlib.h>
#include <string.h>

typedef struct {
    const OfxMemorySuite *from; /* NULL: the C library */
    _Alignas(16) char bytes[];
} Block;

const OfxMemorySuite *host_memory;

void *take(size_t bytes)
{
    Block *block = NULL;
    const OfxMemorySuite *from = host_memory;
    if (bytes > SIZE_MAX / 2) return NULL;
    if (from) {
        if (from->memoryAlloc(NULL, sizeof(Block) + bytes, (void **)&block) != OFX_OK) block = NULL;
    } else {
        block = malloc(sizeof(Block) + bytes);
    }
    if (!block) return NULL;
    block->from = from;
    return block->bytes;
}

void *take_zeroed(size_t bytes)
{
    void *memory = take(bytes);
    if (memory) memset(memory, 0, bytes);
    return memory;
}

void give(void *bytes)
{
    if (!bytes) return;
    Block *block = (Block *)((char *)bytes - offsetof(Block, bytes));
    if (block->from)
        block->from->memoryFree(block);
    else
        free(block);
}
