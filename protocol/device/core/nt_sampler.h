/* The sampler: which sample is which, the extremes seen since the last OPEN, and blocks of samples as frames.
 *
 * A sample's number comes from its latch tick, never from counting interrupts: a missed one leaves a hole in
 * the numbers, flagged AFTER_GAP, and shifts nothing. */
#ifndef NT_SAMPLER_H
#define NT_SAMPLER_H

#include "nt_port.h"
#include "nt_ring.h"

/* One sample, all of it latched at one moment. */
struct nt_sample {
    uint64_t tick;   /* device clock of the latch */
    int64_t encoder; /* unwrapped counts */
    int32_t torque;  /* 24 bits, sign-extended */
    uint16_t inputs; /* NT_INPUT_ bits */
    uint16_t flags;  /* NT_SAMPLE_FLAG_ENCODER_FAULT, _BRIDGE_FAULT, _TICK_UNCERTAIN */
};

struct nt_stream_setup {
    uint32_t rate_hz;
    uint16_t samples_per_block;
    uint16_t status_ms;
    uint8_t stream; /* enum nt_stream */
};

struct nt_sampler {
    const struct nt_board *board;
    struct nt_stream_setup setup;
    uint32_t period_ticks;
    uint64_t next_index; /* number of the sample that will be taken next */
    uint64_t next_tick;  /* its nominal tick */
    uint64_t start_tick; /* no block before this one */
    bool running;
    bool shunted;   /* the shunt relay is on: its step is no load and leaves the extremes alone */
    bool after_gap; /* the next block is the first behind a hole */
    bool seen;      /* torque_min and torque_max hold something */
    int32_t torque_min;
    int32_t torque_max;
    uint32_t overrange;
    uint32_t encoder_errors;
    uint32_t misplaced; /* samples before the one that was due: dropped */

    uint16_t session; /* stands in every frame */
    uint16_t config_epoch;
    uint16_t inputs; /* latched with the newest sample */

    uint16_t count; /* samples of the block under way */
    uint16_t flags;
    uint64_t first_index;
    uint64_t first_tick;
    int32_t torque[NT_BLOCK_SAMPLES_MAX];
    int64_t encoder[NT_BLOCK_SAMPLES_MAX];
    uint8_t frame[NT_DATA_FRAME_BYTES];
    uint8_t wire[NT_DATA_WIRE_BYTES];
};

void nt_sampler_init(struct nt_sampler *s, const struct nt_board *board, uint64_t tick);

/* Whether a board can do this. */
bool nt_sampler_allows(const struct nt_sampler *s, const struct nt_stream_setup *setup);

/* Uses another set-up from the next sample on; not while running. */
void nt_sampler_apply(struct nt_sampler *s, const struct nt_stream_setup *setup);

/* Begins to cut blocks at the first sample not before a tick. */
void nt_sampler_run(struct nt_sampler *s, uint64_t start_tick);

/* Cuts what is under way and stops. */
void nt_sampler_halt(struct nt_sampler *s, struct nt_ring *ring);

/* Takes a sample; completed blocks go into the ring. False when it came before the one that was due. */
bool nt_sampler_take(struct nt_sampler *s, struct nt_ring *ring, const struct nt_sample *sample);

/* Closes the block under way, if there is one. */
void nt_sampler_cut(struct nt_sampler *s, struct nt_ring *ring);

/* Whether a torque value is at the end of the converter's range. */
bool nt_sampler_railed(const struct nt_sampler *s, int32_t torque);

/* The test pattern of a sample number. */
int32_t nt_pattern_torque(uint64_t index);
int64_t nt_pattern_encoder(uint64_t index);

#endif
