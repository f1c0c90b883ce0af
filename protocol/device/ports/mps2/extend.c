#include "extend.h"

uint64_t nt_extend(struct nt_extended *e, uint32_t counter, uint32_t counts_per_tick)
{
    uint32_t elapsed = counter - e->last; /* right across the counter's end */
    uint32_t rest = e->rest + elapsed % counts_per_tick;
    e->last = counter;
    e->tick += elapsed / counts_per_tick + rest / counts_per_tick;
    e->rest = rest % counts_per_tick;
    return e->tick;
}
