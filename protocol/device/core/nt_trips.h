/* What the device stops the drive for without asking anybody: torque, a saturated converter, an open bridge,
 * a blind encoder, a temperature, the guard, the stop chain, a fault of the drive. Not a safety function. */
#ifndef NT_TRIPS_H
#define NT_TRIPS_H

#include "nt_events.h"
#include "nt_sampler.h"

struct nt_trips {
    const struct nt_board *board;
    uint32_t standing; /* bit = event code: its cause is there now */
    bool seen;         /* there was a sample */
    uint16_t inputs;   /* of the last sample */
    uint64_t saturated_since;
    uint64_t bridge_since;
    uint64_t encoder_since;
    bool saturated;
    bool bridge_open;
    bool encoder_blind;
};

void nt_trips_init(struct nt_trips *t, const struct nt_board *board);

/* Looks at a sample and raises what it shows. True when both axes must be stopped. */
bool nt_trips_sample(struct nt_trips *t, struct nt_events *events, const struct nt_sample *sample,
                     uint8_t driven);

/* Looks at a slow channel. True when both axes must be stopped. */
bool nt_trips_slow(struct nt_trips *t, struct nt_events *events, uint64_t tick, uint8_t channel, float value);

/* No samples come, so nobody sees an overload: as an open bridge, until the next sample. True when both axes
 * must be stopped. */
bool nt_trips_blind(struct nt_trips *t, struct nt_events *events, uint64_t tick);

/* Before the slow channels of one round: temperatures are judged anew. */
void nt_trips_slow_begin(struct nt_trips *t);

/* Whether the inputs forbid motion now. */
bool nt_trips_interlocked(const struct nt_trips *t);

/* Whether what an event code reports is still there, so that it cannot be cleared. */
bool nt_trips_stands(const struct nt_trips *t, uint8_t code);

#endif
