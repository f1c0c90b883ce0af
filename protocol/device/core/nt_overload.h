/* The overload memory: the extremes of torque since the host last said that it has recorded them, whether or
 * not anybody listened. What a reply has told is kept apart until the host names that reply, so a lost reply
 * or a host that dies loses nothing. */
#ifndef NT_OVERLOAD_H
#define NT_OVERLOAD_H

#include "nt_config.h"

struct nt_stretch {
    uint64_t samples; /* 0: the rest says nothing */
    uint64_t since_tick;
    uint64_t min_tick;
    uint64_t max_tick;
    int32_t torque_min;
    int32_t torque_max;
};

struct nt_overload {
    struct nt_stretch told;  /* by the newest reply */
    struct nt_stretch since; /* the samples after it */
    uint32_t memory_no;      /* of the newest reply, 0 = none yet */
};

void nt_overload_init(struct nt_overload *o);

/* Takes a sample; the one of two equal extremes that came first stays. */
void nt_overload_take(struct nt_overload *o, uint64_t tick, int32_t torque);

/* Fills in all of a reply but its tick, and numbers it. `seen_no` names the reply that the host has recorded;
 * only when that is the newest one is what it told forgotten. */
void nt_overload_read(struct nt_overload *o, uint32_t seen_no, struct nt_extremes_reply *reply);

#endif
