/* The drive axis: where it stands and what it is about to do, as legs of constant acceleration.
 *
 * A position is whole counts and a fraction of 2^-32; a speed is counts per sample times 2^32. */
#ifndef NT_PLANT_AXIS_H
#define NT_PLANT_AXIS_H

#include <stdbool.h>
#include <stdint.h>

#define NT_PLANT_LEGS 3u /* up, along, down */

/* A leg has no more samples: a gentler ramp is made steeper, a longer travel ends before (after 15 hours at
 * 20 000 samples/s). */
#define NT_PLANT_LEG_SAMPLES_MAX (1u << 30)

/* From the speed before to another one, in equal steps. */
struct nt_plant_leg {
    int64_t speed;
    uint32_t samples;
};

struct nt_plant_axis {
    int64_t counts;
    int64_t speed;
    int64_t target; /* counts a travel ends at */
    int64_t step;   /* of the speed in each sample of the leg under way */
    uint32_t extra; /* samples of the leg that get one unit more, spread evenly */
    uint32_t spread;
    uint32_t done; /* samples of the leg */
    uint32_t fraction;
    uint32_t target_fraction;
    uint8_t legs;
    bool travels;
    struct nt_plant_leg leg[NT_PLANT_LEGS]; /* the one under way first */
};

/* Carries the axis over one sample. */
void nt_plant_axis_step(struct nt_plant_axis *axis);

bool nt_plant_axis_moves(const struct nt_plant_axis *axis);

/* Goes over to a speed, through standstill when the sign turns; `ramp` is the change of speed in a sample. */
void nt_plant_axis_turn(struct nt_plant_axis *axis, int64_t speed, uint64_t ramp);

/* From rest: goes so many counts, no faster than `speed` and no steeper than `ramp`, and ends there to the
 * count.
 */
void nt_plant_axis_travel(struct nt_plant_axis *axis, int64_t counts, uint64_t speed, uint64_t ramp);

/* The same speed at another number of samples per second; what was ahead is dropped. */
void nt_plant_axis_rescale(struct nt_plant_axis *axis, uint32_t rate_before, uint32_t rate_after);

#endif
