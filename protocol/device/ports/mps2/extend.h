/* A 32-bit counter made 64 bits long and divided into ticks. */
#ifndef NT_MPS2_EXTEND_H
#define NT_MPS2_EXTEND_H

#include <stdint.h>

/* The counter must be read at least once in each of its own rounds (172 s at 25 MHz). */
struct nt_extended {
    uint32_t last; /* the counter when it was read last */
    uint32_t rest; /* counts that make no whole tick yet */
    uint64_t tick;
};

/* Takes a reading of a counter that counts up, and gives the tick. 32-bit divisions only. */
uint64_t nt_extend(struct nt_extended *e, uint32_t counter, uint32_t counts_per_tick);

#endif
