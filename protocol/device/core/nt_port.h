/* What a port gives the core: the constants of its board and a handful of functions.
 *
 * The core calls these functions from the main loop only, never from an interrupt. None may wait.
 *
 * The motion lease, these outputs and these trips are no safety function. Emergency stop, guards and safe
 * torque off stay in certified hardware that works without this processor. */
#ifndef NT_PORT_H
#define NT_PORT_H

#include "nt_config.h"

/* What an axis is to do, checked against lease and limits. */
struct nt_motion {
    int64_t travel_counts; /* TRAVEL: encoder counts from where the axis stands */
    float setpoint;        /* rad/s (SPEED), its magnitude (TRAVEL), or N·m (TORQUE) */
    float speed_limit;     /* rad/s, never above the board's own, which it is when the command named none */
    float ramp;            /* rad/s² or N·m/s; 0 = the board's own */
    uint8_t axis;          /* enum nt_axis */
    uint8_t mode;          /* enum nt_drive_mode, never OFF */
};

/* Functions of a port. One that the board does not need may be NULL where it says so. */
struct nt_port {
    void *context; /* handed to every function */

    /* Sample at this rate from the next sample on. NULL: the pace is set by nt_device_sample_due. */
    void (*set_rate)(void *context, uint32_t rate_hz);

    /* Start a motion. NULL without the feature `drive`. */
    void (*drive)(void *context, const struct nt_motion *motion);

    /* Bring an axis (enum nt_axis) to off at a ramp, 0 = the board's own; also when it is off or stopping
     * already. NULL without the feature `drive`. */
    void (*drive_off)(void *context, uint8_t axis, float ramp);

    /* Whether the drive axis turns or is about to. NULL: as long as it is on. */
    bool (*moving)(void *context);

    /* Set an output (enum nt_output). NULL without the feature `outputs`. */
    void (*set_output)(void *context, uint8_t output, bool on);

    /* The line that follows the motion lease, in series with the drive's ordinary enable. Not a safety
     * function. NULL: the board has none. */
    void (*set_lease)(void *context, bool live);

    /* A slow channel of the sheet, by its number; NAN when the sensor is broken. NULL without slow channels.
     */
    float (*slow)(void *context, uint8_t channel);
};

/* A temperature that stops the drive. NAN counts as too hot: a broken sensor protects nothing. */
struct nt_temperature_limit {
    uint8_t channel; /* number in the sheet */
    float degc_max;
};

/* Which modes an axis knows: bit of nt_board.modes. */
#define NT_MODE_BIT(axis, mode) (1u << ((axis)*4u + (mode)))

/* Optional features; the same as in the sheet. */
#define NT_FEATURE_DRIVE 0x01u
#define NT_FEATURE_OUTPUTS 0x02u
#define NT_FEATURE_FIRMWARE 0x04u
#define NT_FEATURE_EXTREMES 0x08u

/* Constants of a board. */
struct nt_board {
    const uint8_t *sheet; /* canonical JSON, written by sheet.py from a readable file */
    uint32_t sheet_bytes;
    uint64_t sheet_digest; /* first 8 bytes of its SHA-256, little-endian */

    const char *firmware; /* version, at most 16 characters */
    const char *serial;   /* of the board, at most 16 characters */
    const char *build;    /* what was built, at most 32 characters */

    const uint32_t *rates_hz; /* each divides tick_hz; the first is the one at power-on */
    uint32_t rates;
    uint32_t tick_hz;

    uint32_t features; /* NT_FEATURE_ bits */
    uint32_t modes;    /* NT_MODE_BIT of each axis and mode the drive knows */
    uint32_t outputs;  /* bit n = enum nt_output n is wired */

    uint16_t inputs_for_motion; /* input bits that must be set for motion; losing one stops it */
    uint16_t inputs_against;    /* input bits that must be clear for motion; getting one stops it */

    float speed_max;  /* rad/s, as in the sheet's limits */
    float torque_max; /* N·m, as in the sheet's limits */
    float ramp_least; /* rad/s²; a lapsed lease is not stretched by a gentler ramp */
    float ramp_stop;  /* rad/s² of a device-side stop */

    int32_t rail_low; /* counts at or beyond which the converter is at the end of its range */
    int32_t rail_high;
    int32_t trip_counts; /* a sample beyond ± this stops the drive; 0 = no such trip */

    uint8_t slow_channels; /* numbered from 0, at most NT_SLOW_CHANNELS_MAX */
    uint8_t temperature_limits;
    struct nt_temperature_limit temperature_limit[NT_TEMPERATURE_LIMITS_MAX];
};

/* What is known about this start of the device. */
struct nt_boot {
    uint32_t boot_id;     /* differs after each start, never 0: nt_keep_boot_id */
    uint32_t self_test;   /* bit n = test n failed; nt_self_test and what the port adds */
    uint32_t flash_crc;   /* CRC-32C of the image */
    uint32_t config_hash; /* CRC-32C of the build options */
    uint32_t crash_pc;    /* of the last crash, 0 = none */
    uint32_t crash_lr;
    uint32_t crash_cause;
    uint8_t reset_cause; /* enum nt_reset_cause */
};

#endif
