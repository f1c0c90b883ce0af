/* The example board: every constant that a real board replaces, and the hands it must lend. */
#ifndef EXAMPLE_BOARD_H
#define EXAMPLE_BOARD_H

#include "nt_adc.h"
#include "nt_inputs.h"
#include "nt_lease_output.h"
#include "nt_port.h"
#include "nt_quadrature.h"

#define EXAMPLE_SLOW_WINDING 0u
#define EXAMPLE_SLOW_CHANNELS 2u

extern const struct nt_board example_board;
extern const struct nt_adc_part example_part;
extern const struct nt_inputs_config example_inputs;
extern const struct nt_quadrature_config example_quadrature;
extern const struct nt_lease_output_config example_lease_output;

/* What touches registers and pins: written by whoever has the board, or by a test. None may wait. */
struct example_access {
    void *context;
    struct nt_adc_access adc;
    struct nt_lease_output_access lease;

    /* The device clock: 64 bits that never run backwards, also when asked from an interrupt. */
    uint64_t (*tick)(void *context);

    /* Whether the whole of the last frame has gone; hands the next one to the line. Its bytes stay where they
     * are until then, so that DMA may fetch them. */
    bool (*line_idle)(void *context);
    void (*line_send)(void *context, const uint8_t *bytes, size_t n);

    /* As in struct nt_port. */
    void (*drive)(void *context, const struct nt_motion *motion);
    void (*drive_off)(void *context, uint8_t axis, float ramp);
    bool (*moving)(void *context);
    void (*set_output)(void *context, uint8_t output, bool on);
    float (*slow)(void *context, uint8_t channel);

    void (*feed_watchdog)(void *context);

    uint8_t reset_cause;  /* enum nt_reset_cause, from the processor's own register */
    uint32_t entropy;     /* whatever the board has: a unique id, noise of the converter */
    const uint8_t *image; /* the program in flash, for its CRC */
    uint32_t image_bytes;
};

/* The one function that a board's own file defines: clocks, pins, SPI, timers and UART set up, interrupts
 * off. */
const struct example_access *example_registers(void);

#endif
