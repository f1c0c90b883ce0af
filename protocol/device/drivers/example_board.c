#include "example_board.h"

#include "nt_example_sheet.h"

#define TICK_HZ 1000000u
#define COUNTS_PER_REV 40000u
#define TURNS_PER_S_MAX 2u /* the sheet's 7 rad/s are 1.1; nothing in this rig turns faster than this */
#define MS (TICK_HZ / 1000u)

static const uint32_t rates_hz[] = {1000u, 2000u, 4000u, 10000u};

const struct nt_board example_board = {
    .sheet = nt_example_sheet,
    .sheet_bytes = NT_EXAMPLE_SHEET_BYTES,
    .sheet_digest = NT_EXAMPLE_SHEET_DIGEST,
    .firmware = "1.0.0",
    .serial = "EXAMPLE-1",
    .build = "example board",
    .rates_hz = rates_hz,
    .rates = sizeof rates_hz / sizeof rates_hz[0],
    .tick_hz = TICK_HZ,
    .features = NT_FEATURE_DRIVE | NT_FEATURE_OUTPUTS | NT_FEATURE_FIRMWARE | NT_FEATURE_EXTREMES,
    .modes = NT_MODE_BIT(NT_AXIS_DRIVE, NT_DRIVE_MODE_SPEED) |
             NT_MODE_BIT(NT_AXIS_DRIVE, NT_DRIVE_MODE_TRAVEL) |
             NT_MODE_BIT(NT_AXIS_ACTUATOR, NT_DRIVE_MODE_TORQUE),
    .outputs = 1u << NT_OUTPUT_SHUNT | 1u << NT_OUTPUT_LAMP,
    .inputs_for_motion = NT_INPUT_GUARD_CLOSED | NT_INPUT_STOP_CHAIN_HEALTHY,
    .inputs_against = NT_INPUT_DRIVE_FAULT,
    .speed_max = 7.0f,
    .torque_max = 15.0f,
    .ramp_least = 1.0f,
    .ramp_stop = 50.0f,
    .rail_low = NT_ADC_COUNTS_MIN,
    .rail_high = NT_ADC_COUNTS_MAX,
    .trip_counts = 5368709, /* 2.5 mV/V: a transducer of 2 mV/V at 25 % above what it is rated for */
    .slow_channels = EXAMPLE_SLOW_CHANNELS,
    .temperature_limits = 1,
    .temperature_limit = {{EXAMPLE_SLOW_WINDING, 110.0f}},
};

/* ---- converter: a part that nobody makes, with the usual traits ---- */

enum { REGISTER_FILTER, REGISTER_INPUT, REGISTER_CURRENTS };

static const struct nt_adc_register registers[] = {
    [REGISTER_FILTER] = {.address = 0x01, .bytes = 1, .value = 0x30, .compare = 0x7F}, /* bit 7: busy */
    [REGISTER_INPUT] = {.address = 0x02,
                        .bytes = 2,
                        .value = 0x0187,
                        .compare = 0x0FFF}, /* bits 12 up: reserved */
    [REGISTER_CURRENTS] = {.address = 0x05, .bytes = 1, .value = 0x00, .compare = 0xFF},
};

static const struct nt_adc_rate rates[] = {{1000u, 0x03}, {2000u, 0x04}, {4000u, 0x05}, {10000u, 0x07}};

const struct nt_adc_part example_part = {
    .registers = registers,
    .rates = rates,
    .register_count = sizeof registers / sizeof registers[0],
    .rate_count = sizeof rates / sizeof rates[0],
    .write_opcode = 0x80,
    .read_opcode = 0xC0,
    .address_shift = 1,
    .counted = true,
    .reset = {1, {0x11}},
    .stop = {1, {0x33}},
    .start = {1, {0x22}},
    .read = {1, {0x44}},
    .status_bytes = 1,
    .status_fault_mask = 0x06, /* reference missing, modulator overloaded */
    .rate_register = REGISTER_FILTER,
    .rate_mask = 0x0F,
    .burnout_register = REGISTER_CURRENTS,
    .burnout_mask = 0x03,
    .burnout_bits = 0x03,
    .burnout_counts = 6000000, /* 10 uA into 350 ohm add 10 % of this range; into an open lead, all of it */
    .open_counts = NT_ADC_COUNTS_MAX,
    .open_conversions = 10,
    .settle_conversions = 4, /* filter of third order, and one more for the amplifier */
    .silent_conversions = 8,
    .reset_us = 200,
    .jitter_ticks = 5,
};

/* ---- encoder, inputs, lease output ---- */

const struct nt_quadrature_config example_quadrature = {
    .tick_hz = TICK_HZ,
    .counts_per_rev = COUNTS_PER_REV,
    .counts_per_s_max = TURNS_PER_S_MAX * COUNTS_PER_REV,
    .index_tolerance = 4, /* one line wide */
    .hold_ticks = (NT_FAULT_TRIP_MS + 5u) * MS,
    .counter_bits = 16,
};

/* Steady for 30 samples: 3 ms at the highest rate, 30 ms at the lowest. */
const struct nt_inputs_config example_inputs = {
    .wired =
        NT_INPUT_GUARD_CLOSED | NT_INPUT_STOP_CHAIN_HEALTHY | NT_INPUT_DRIVE_READY | NT_INPUT_DRIVE_FAULT,
    .active_low = NT_INPUT_DRIVE_FAULT, /* a broken wire is a fault */
    .needed = NT_INPUT_GUARD_CLOSED | NT_INPUT_STOP_CHAIN_HEALTHY,
    .against = NT_INPUT_DRIVE_FAULT,
    .steady = {30, 30, 30, 30},
};

/* 250 Hz; a pump behind it that drops its relay after 20 ms without edges allows the loop ten half periods.
 */
const struct nt_lease_output_config example_lease_output = {
    .half_period_ticks = 2u * MS,
    .settle_ticks = MS / 10u,
};
