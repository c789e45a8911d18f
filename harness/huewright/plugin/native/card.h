/* NVIDIA's cards: their driver opened when a host first renders there, our kernels made ready on each context, and what
 * of our memory lies on each. The host owns pictures, contexts and streams. */
#ifndef HUEWRIGHT_CARD_H
#define HUEWRIGHT_CARD_H

#include "text.h"

enum { OFX_ERR_GPU_MEMORY = 1001, OFX_ERR_GPU = 1002 };

typedef struct CardCopy CardCopy; /* bytes on one context; a list of them */
typedef struct CardKernels CardKernels;

typedef struct {
    void *stream; /* the host's; NULL: it has none, so that all is done when card_end returns */
    void *context;
    const CardKernels *kernels;
    int pushed;
} Card;

/* Rows of pixels on a card, from the first pixel that counts. */
typedef struct {
    uint64_t at;
    int64_t row_bytes;
} CardRows;

/* Makes the context current that the stream, the thread or the `picture` belongs to. 0 and the status that the standard
 * has for it, OFX_ERR_GPU or OFX_ERR_GPU_MEMORY, in trouble: the host may render on the processor then. */
int card_begin(Card *card, void *stream, const void *picture, Trouble *trouble);
int card_end(Card *card, CardCopy *used, Trouble *trouble); /* to be called after every card_begin that went well */

/* Two pieces of memory, brought to the context once; each begins at a multiple of 256 bytes there. */
CardCopy *card_copy(Card *card, CardCopy **copies, const void *const pieces[2], const size_t sizes[2],
                    Trouble *trouble);
void card_forget(CardCopy *copies); /* when what was started with them is done */
void card_unload(void);

/* One kernel over width x height pixels; `copy` holds data and instructions. */
int card_walk(Card *card, CardRows source, CardRows target, int width, int height, int encoding, int channels,
              int premultiplied, int count, const CardCopy *copy, Trouble *trouble);
/* Bytes as they are; from nowhere (0): zeros. */
int card_move(Card *card, CardRows source, CardRows target, int64_t width_bytes, int height, Trouble *trouble);

#endif
