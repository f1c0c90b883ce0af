/* The example's main loop, in pieces that a board's interrupts and a test can call. */
#ifndef EXAMPLE_MAIN_H
#define EXAMPLE_MAIN_H

#include "example_board.h"
#include "nt_checkin.h"
#include "nt_device.h"
#include "nt_keep.h"
#include "nt_rx.h"

/* Self-tests of this board. */
#define EXAMPLE_SELF_TEST_TABLES                                                                             \
    (NT_SELF_TEST_PORT << 0) /* rates, converter and encoder do not go together */
#define EXAMPLE_SELF_TEST_CONVERTER (NT_SELF_TEST_PORT << 1)
#define EXAMPLE_SELF_TEST_LEASE_OUTPUT (NT_SELF_TEST_PORT << 2)

struct example {
    const struct example_access *access;
    struct nt_port port;
    struct nt_rx rx;
    struct nt_adc adc;
    struct nt_quadrature quadrature;
    struct nt_inputs inputs;
    struct nt_lease_output lease;
    struct nt_checkin checkin;
    uint64_t newest_tick; /* the core was told */
    uint64_t sent_tick;   /* of the newest frame */
    bool stalled;         /* that frame does not go out */
    uint32_t overrun;     /* of the receiver, as told to the core */
    struct nt_device device;
};

/* Starts everything; `keep` lies in memory that a reset does not clear. */
void example_init(struct example *e, const struct example_access *access, struct nt_keep *keep);

/* One turn of the main loop. */
void example_turn(struct example *e);

/* In the data-ready interrupt. */
void example_data_ready(struct example *e);

/* In the receive interrupt. */
void example_received(struct example *e, uint8_t byte);

#endif
