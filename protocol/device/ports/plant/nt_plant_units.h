/* Inside the plant: from physical units to those of its samples, in integers. */
#ifndef NT_PLANT_UNITS_H
#define NT_PLANT_UNITS_H

#include "nt_plant.h"

#define NT_PLANT_TORQUE_RAMP_UNM_S (4 * NT_PLANT_RATED_UNM) /* when a command names none */
#define NT_PLANT_Q32_PER_URAD 716770142u                    /* 2^20 / (2 pi) * 2^32 / 10^6, rounded */

#define NT_PLANT_AMBIENT_UDEGC 22000000 /* millionths of a degree */

/* Counts of the bridge for a torque. */
static inline int32_t nt_plant_counts(int32_t unm)
{
    return (int32_t)((int64_t)unm * NT_PLANT_COUNTS_PER_NM_X5 / 5000000);
}

/* Encoder counts per sample * 2^32. */
static inline uint64_t nt_plant_speed(uint32_t urad_s, uint32_t rate_hz)
{
    return (uint64_t)urad_s * NT_PLANT_Q32_PER_URAD / rate_hz;
}

/* For speed / 2^16 of the drive: counts of torque * 2^36. One rad/s is Q32_PER_URAD * 10^6 / rate, so this is
 * unm_s * 0.2097152 * 2^36 * 2^16 / (Q32_PER_URAD * 10^6) * rate. */
static inline int64_t nt_plant_drag(int32_t unm_s, uint32_t rate_hz)
{
    return (int64_t)unm_s * rate_hz * 131773 / 100000;
}

/* Change of the actuator's torque in a sample, counts * 2^16, at least 1. */
static inline int32_t nt_plant_torque_step(int32_t unm_s, uint32_t rate_hz)
{
    int64_t step = (int64_t)unm_s * NT_PLANT_COUNTS_PER_NM_X5 / 5000 * 65536 / 1000 / rate_hz;
    if (step > INT32_MAX) {
        return INT32_MAX;
    }
    return step < 1 ? 1 : (int32_t)step;
}

void nt_plant_change_rate(struct nt_plant *plant, uint32_t rate_hz);

/* One second of warming and cooling. */
void nt_plant_warm(struct nt_plant *plant);

#endif
