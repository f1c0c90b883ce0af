/* Quadrature counter with index: 16 or 32 bits of a hardware timer become 64, and the index proves that none
 * was lost.
 *
 * The timer counts round through its whole width, free-running: no reload at a turn, no reset by the index.
 * The index captures the count. Positions never jump: the index is a witness here, and who wants an absolute
 * angle adds one. */
#ifndef NT_QUADRATURE_H
#define NT_QUADRATURE_H

#include <stdbool.h>
#include <stdint.h>

struct nt_quadrature_config {
    uint32_t tick_hz;
    uint32_t counts_per_rev;   /* four a line */
    uint32_t counts_per_s_max; /* more than the shaft can turn, and what counter and cable can follow */
    uint32_t index_tolerance;  /* counts: the width of the mark, whose two ends the two directions meet */
    uint32_t hold_ticks;  /* a fault is reported for at least so long: NT_FAULT_TRIP_MS and a little more */
    uint8_t counter_bits; /* of the timer: 16 or 32 */
};

/* What was latched at one moment. */
struct nt_quadrature_reading {
    uint64_t tick;
    uint32_t count;       /* of the timer */
    uint32_t index_count; /* that the index captured */
    bool index;           /* it captured one since the reading before */
    bool blind;           /* the receiver says that nobody drives its lines; false where it cannot tell */
};

struct nt_quadrature {
    const struct nt_quadrature_config *config;
    int64_t counts;    /* since the first reading */
    uint64_t tick;     /* of the newest reading */
    uint32_t count;    /* of the timer, newest */
    uint32_t too_fast; /* readings between which counts may be lost */
    uint32_t slips;    /* indices that were not a whole number of turns from the first */
    int64_t index_at;  /* counts at the index that the others are compared with */
    bool referenced;   /* index_at holds something */
    bool started;      /* there was a reading */
    bool faulty;       /* fault_tick holds something that is not over */
    int8_t direction;  /* of the newest movement; 0: none yet */
    uint64_t fault_tick;
    uint64_t lost_ticks; /* between two readings: from here on the counter may have gone round unseen */
};

/* Whether counter, speed and sampling rate go together: the shaft cannot turn half the counter between
 * samples. */
bool nt_quadrature_follows(const struct nt_quadrature_config *config, uint32_t rate_hz);

void nt_quadrature_init(struct nt_quadrature *q, const struct nt_quadrature_config *config);

/* Takes a reading, in order; q->counts is the position then. Returns NT_SAMPLE_FLAG_ENCODER_FAULT or 0. A
 * reading left out costs nothing as long as the next one comes before `lost_ticks`. */
uint16_t nt_quadrature_take(struct nt_quadrature *q, const struct nt_quadrature_reading *reading);

/* NT_INPUT_INDEX_SEEN while the counts are tied to the index, else 0. */
uint16_t nt_quadrature_inputs(const struct nt_quadrature *q);

#endif
