/* Lease output: the line that follows the motion lease, in series with the drive's ordinary enable.
 *
 * Low is off: at reset, in the boot loader, with a broken wire or no supply the line must be off by itself (a
 * pull-down, a normally open relay). As a level it needs the processor's pin to obey; as a square wave it
 * needs the main loop to be alive as well, because a charge pump behind it only holds its relay while edges
 * keep coming. Make the edges in the main loop and nowhere else: a timer goes on when the program hangs.
 *
 * Not a safety function, in neither form: one pin, one program, no second channel. Emergency stop, guards and
 * safe torque off stay in certified hardware that works without this processor. */
#ifndef NT_LEASE_OUTPUT_H
#define NT_LEASE_OUTPUT_H

#include <stdbool.h>
#include <stdint.h>

struct nt_lease_output_access {
    void *context;
    void (*write)(void *context, bool high);
    bool (*read)(void *context); /* level at the pin, or better behind the driver; NULL: nothing to read */
};

struct nt_lease_output_config {
    uint32_t half_period_ticks; /* of the square wave; 0: a level */
    uint32_t settle_ticks;      /* after an edge the level must read back by then */
};

struct nt_lease_output {
    const struct nt_lease_output_config *config;
    const struct nt_lease_output_access *access;
    uint64_t edge_tick;
    uint32_t edges;
    uint32_t late_edges; /* by more than half a period: how near the loop came to dropping the line */
    uint32_t mismatches; /* times the pin began to read back something else */
    bool live;           /* the lease is */
    bool high;           /* what was written */
    bool faulty;         /* the pin does not obey: off, until it reads low with no lease */
};

/* Off. */
void nt_lease_output_init(struct nt_lease_output *out, const struct nt_lease_output_config *config,
                          const struct nt_lease_output_access *access, uint64_t tick);

/* The lease began, goes on or is over. */
void nt_lease_output_set(struct nt_lease_output *out, bool live, uint64_t tick);

/* In every turn of the main loop: reads back and makes the next edge. Whether the pin obeys. */
bool nt_lease_output_poll(struct nt_lease_output *out, uint64_t tick);

#endif
