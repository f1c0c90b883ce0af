/* A bench of numbers: an actuator with friction, cogging and ripple behind a drive, a bridge and an encoder.
 * It stands in for hardware in the native and the emulated port. Its values are like those of the virtual
 * product pan15.
 *
 * Integers only in what runs for every sample: a Cortex-M3 has no floating point, and the same seed gives the
 * same samples on every machine.
 *
 * Torque is what the actuator exerts: cogging + set torque * (1 + ripple) - friction. Turning forward,
 * friction makes it negative. */
#ifndef NT_PLANT_H
#define NT_PLANT_H

#include "nt_plant_axis.h"
#include "nt_port.h"
#include "nt_sampler.h"

/* ---- the truth a host's figures can be compared with; torques in micronewton metres (UNM) ---- */

#define NT_PLANT_COUNTS_PER_REV 1048576 /* encoder */

/* Of the bridge: 209 715.2 counts per N·m, at 4 N·m/V and 20 V / 2^24 per count. */
#define NT_PLANT_COUNTS_PER_NM_X5 1048576
#define NT_PLANT_RATED_UNM 15000000

#define NT_PLANT_COULOMB_UNM 80000
#define NT_PLANT_BREAKAWAY_UNM 30000    /* above Coulomb at standstill, gone at NT_PLANT_BREAKAWAY_URAD_S */
#define NT_PLANT_BREAKAWAY_URAD_S 50000 /* microradians per second */
#define NT_PLANT_VISCOUS_UNM_S 20000    /* for 1 rad/s */
#define NT_PLANT_SHORTED_UNM_S 600000   /* for 1 rad/s more, while the winding is shorted */
#define NT_PLANT_PRESLIDING_COUNTS 256  /* of the encoder from a reversal to full friction */
#define NT_PLANT_SHUNT_UNM 8000000      /* what the shunt relay adds */
#define NT_PLANT_ZERO_COUNTS 10066 /* of the bridge, 12 mV; each unit is up to NT_PLANT_ZERO_SPREAD away */
#define NT_PLANT_ZERO_SPREAD 2048
#define NT_PLANT_NOISE_COUNTS 210     /* rms */
#define NT_PLANT_WINDING_DEGC_MAX 120 /* the board stops the drive above */

/* One mechanical order: amplitude * sin(order * angle + phase). */
struct nt_plant_order {
    uint32_t phase; /* 2^32 are one turn */
    int32_t amplitude;
    uint16_t order;
};

#define NT_PLANT_COGGING_ORDERS 6u
#define NT_PLANT_RIPPLE_ORDERS 4u

/* Amplitudes in micronewton metres, and in ppm of the set torque. */
extern const struct nt_plant_order nt_plant_cogging[NT_PLANT_COGGING_ORDERS];
extern const struct nt_plant_order nt_plant_ripple[NT_PLANT_RIPPLE_ORDERS];

/* ---- what goes wrong when a test wants it ---- */

#define NT_PLANT_GUARD_OPEN 0x01u
#define NT_PLANT_STOP_CHAIN_OPEN 0x02u
#define NT_PLANT_DRIVE_FAILED 0x04u
#define NT_PLANT_BRIDGE_OPEN 0x08u     /* at the rail, flagged BRIDGE_FAULT */
#define NT_PLANT_SATURATED 0x10u       /* at the rail */
#define NT_PLANT_ENCODER_BLIND 0x20u   /* stands still, flagged ENCODER_FAULT */
#define NT_PLANT_WINDING_HOT 0x40u     /* reads NT_PLANT_HOT_DEGC */
#define NT_PLANT_WINDING_UNKNOWN 0x80u /* its sensor is broken: reads NAN */
#define NT_PLANT_HOT_DEGC 150

/* ---- slow channels, numbered as in plant.json ---- */

enum nt_plant_slow {
    NT_PLANT_SLOW_HOUSING,
    NT_PLANT_SLOW_WINDING,
    NT_PLANT_SLOW_BEARING,
    NT_PLANT_SLOW_BRIDGE,
    NT_PLANT_SLOW_AMBIENT,
    NT_PLANT_SLOW_SUPPLY,
    NT_PLANT_SLOW_EXCITATION,
    NT_PLANT_SLOW_CHANNELS,
};

/* Temperatures in millionths of a degree, so that a second of slow warming is not rounded away. */
struct nt_plant_heat {
    int32_t housing;
    int32_t winding;
    int32_t bearing;
    int32_t bridge;
};

/* A port keeps one of these; its fields are for reading only. */
struct nt_plant {
    struct nt_plant_axis drive;
    struct nt_plant_heat heat;
    int64_t torque;            /* what the actuator is at, counts * 2^16 */
    int64_t torque_target;     /* what it goes to */
    int64_t breakaway_speed;   /* counts per sample * 2^32 */
    int64_t viscous;           /* counts of torque for a unit of speed, scaled */
    int64_t viscous_shorted;   /* the same with the winding shorted */
    int64_t blind_at;          /* encoder counts when it went blind */
    int32_t torque_step;       /* ramp in a sample, counts * 2^16 */
    int32_t torque_ramp_unm_s; /* the same, of the last command */
    int32_t deflection;        /* of the friction's bristles, at most NT_PLANT_PRESLIDING_COUNTS either way */
    int32_t friction;          /* counts, of the last sample */
    int32_t zero;
    int32_t cogging_gain[NT_PLANT_COGGING_ORDERS];
    int32_t ripple_gain[NT_PLANT_RIPPLE_ORDERS];
    uint32_t noise; /* state of the generator */
    uint32_t rate_hz;
    uint32_t until_slow; /* samples to the next second */
    uint8_t faults;
    uint8_t outputs; /* bit n = enum nt_output n is on */
    bool energised;
    bool ready;
    bool lease_live;
};

/* Starts a bench at rest; the same seed gives the same unit and the same noise. */
void nt_plant_init(struct nt_plant *plant, uint32_t seed, uint32_t rate_hz);

/* The processor starts again, the bench does not: the encoder is absolute within a turn and forgets the
 * turns, the rate is that of power-on. Call it before nt_device_init, which stops the drive. */
void nt_plant_restart(struct nt_plant *plant, uint32_t rate_hz);

/* The next sample at the present rate: torque, encoder, inputs and flags; the tick is the caller's. */
void nt_plant_sample(struct nt_plant *plant, struct nt_sample *sample);

/* What the input DRIVE_READY shows from the next sample on: the port hands over !nt_device_motion_forbidden.
 */
void nt_plant_set_ready(struct nt_plant *plant, bool ready);

/* Makes things go wrong (NT_PLANT_ bits above), or right again. */
void nt_plant_set_fault(struct nt_plant *plant, uint8_t faults, bool there);

/* The functions of struct nt_port, with the plant as their context. */
void nt_plant_port(struct nt_plant *plant, struct nt_port *port);

/* The board this plant belongs to; serial and build are the port's to change in a copy. */
extern const struct nt_board nt_plant_board;

#endif
