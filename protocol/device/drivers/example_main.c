/* A main loop for a real board: core and drivers, wired through nt_port. What touches registers comes from
 * example_registers.
 *
 * The motion lease, its output, the inputs and the trips are no safety function. Emergency stop, guards and
 * safe torque off stay in certified hardware that works without this processor. */
#include "example_main.h"

#include <string.h>

#include "nt_crc32c.h"

#define START_MS 50u /* the converter has so long to read back what was written */
#define STALL_MS 20u /* a frame takes 11 ms at 921 600 baud */
#define RECEIVE_BYTES 64u
#define RECEIVE_PIECES 32u /* in one turn */

static struct example the_example;
static struct nt_keep the_keep __attribute__((section(".noinit"))); /* the start-up code leaves it alone */

static uint64_t ticks_of_ms(uint32_t ms)
{
    return (uint64_t)ms * example_board.tick_hz / 1000u;
}

static uint64_t now(const struct example *e)
{
    return e->access->tick(e->access->context);
}

/* ---- what the core asks of the port ---- */

static void set_rate(void *context, uint32_t rate_hz)
{
    struct example *e = (struct example *)context;
    if (rate_hz != e->adc.rate_hz || nt_adc_is_blind(&e->adc)) { /* a SETUP also wakes a converter given up */
        nt_adc_begin(&e->adc, rate_hz, now(e));
    }
}

static void drive(void *context, const struct nt_motion *motion)
{
    const struct example *e = (const struct example *)context;
    e->access->drive(e->access->context, motion);
}

static void drive_off(void *context, uint8_t axis, float ramp)
{
    const struct example *e = (const struct example *)context;
    e->access->drive_off(e->access->context, axis, ramp);
}

static bool moving(void *context)
{
    const struct example *e = (const struct example *)context;
    return e->access->moving(e->access->context);
}

static void set_output(void *context, uint8_t output, bool on)
{
    const struct example *e = (const struct example *)context;
    e->access->set_output(e->access->context, output, on);
}

static void set_lease(void *context, bool live)
{
    struct example *e = (struct example *)context;
    nt_lease_output_set(&e->lease, live, now(e));
}

static float slow(void *context, uint8_t channel)
{
    const struct example *e = (const struct example *)context;
    return e->access->slow(e->access->context, channel);
}

static const struct nt_port port_functions = {
    .set_rate = set_rate,
    .drive = drive,
    .drive_off = drive_off,
    .moving = moving,
    .set_output = set_output,
    .set_lease = set_lease,
    .slow = slow,
};

/* ---- start ---- */

/* Whether every rate of the sheet is one of the converter's, and one at which no count can be lost. */
static bool tables_agree(void)
{
    bool agree = true;
    uint32_t bits;
    for (uint32_t i = 0; i < example_board.rates; i++) {
        uint32_t rate_hz = example_board.rates_hz[i];
        agree = agree && nt_adc_rate_bits(&example_part, rate_hz, &bits) &&
                nt_quadrature_follows(&example_quadrature, rate_hz);
    }
    return agree;
}

static uint32_t self_test(struct example *e)
{
    uint32_t failed = nt_self_test(&example_board);
    if (!tables_agree() || !nt_adc_begin(&e->adc, example_board.rates_hz[0], now(e))) {
        failed |= EXAMPLE_SELF_TEST_TABLES;
    }
    uint64_t from = now(e);
    while (e->adc.state == NT_ADC_RESETTING && now(e) - from < ticks_of_ms(START_MS)) {
        nt_adc_poll(&e->adc, now(e)); /* here waiting is allowed: nothing runs yet */
    }
    if (e->adc.state == NT_ADC_RESETTING || nt_adc_is_blind(&e->adc)) {
        failed |= EXAMPLE_SELF_TEST_CONVERTER;
    }
    if (!nt_lease_output_poll(&e->lease, now(e))) {
        failed |= EXAMPLE_SELF_TEST_LEASE_OUTPUT;
    }
    return failed;
}

void example_init(struct example *e, const struct example_access *access, struct nt_keep *keep)
{
    struct nt_boot boot;
    memset(e, 0, sizeof *e);
    memset(&boot, 0, sizeof boot);
    e->access = access;
    e->port = port_functions;
    e->port.context = e;
    nt_rx_init(&e->rx);
    nt_lease_output_init(&e->lease, &example_lease_output, &access->lease, now(e)); /* first of all: off */
    nt_inputs_init(&e->inputs, &example_inputs);
    nt_quadrature_init(&e->quadrature, &example_quadrature);
    nt_adc_init(&e->adc, &example_part, &access->adc);
    nt_keep_boot(keep, access->reset_cause, access->entropy, &boot);
    boot.flash_crc = nt_crc32c(0, access->image, access->image_bytes);
    boot.config_hash = nt_crc32c(0, (const uint8_t *)example_board.build, strlen(example_board.build));
    boot.self_test = self_test(e);
    e->newest_tick = now(e);
    e->sent_tick = e->newest_tick;
    nt_device_init(&e->device, &example_board, &e->port, &boot, e->newest_tick);
}

/* ---- interrupts ---- */

void example_data_ready(struct example *e)
{
    nt_adc_data_ready(&e->adc);
}

void example_received(struct example *e, uint8_t byte)
{
    nt_rx_put(&e->rx, byte, byte == 0 ? now(e) : 0); /* only a delimiter's moment is kept */
}

/* ---- the main loop ---- */

static void receive(struct example *e)
{
    uint8_t bytes[RECEIVE_BYTES];
    for (uint32_t i = 0; i < RECEIVE_PIECES; i++) {
        uint64_t stamp = e->newest_tick;
        size_t n = nt_rx_take(&e->rx, bytes, sizeof bytes, &stamp);
        if (n == 0) {
            break;
        }
        nt_device_receive(&e->device, bytes, n, stamp);
    }
    uint32_t overrun = e->rx.overrun;
    nt_device_note_overrun(&e->device, overrun - e->overrun);
    e->overrun = overrun;
    nt_checkin_mark(&e->checkin, NT_CHECKIN_RECEIVE);
}

/* One conversion becomes one sample: all of it latched at one moment. */
static void hand_over(struct example *e, const struct nt_adc_conversion *conversion)
{
    const struct nt_adc_latch *latch = &conversion->latch;
    struct nt_quadrature_reading reading = {latch->tick, latch->count, latch->index_count, latch->index,
                                            latch->blind};
    uint16_t flags = (uint16_t)(conversion->flags | nt_quadrature_take(&e->quadrature, &reading));
    uint16_t inputs =
        (uint16_t)(nt_inputs_take(&e->inputs, latch->pins) | nt_quadrature_inputs(&e->quadrature));
    if (e->lease.faulty) {
        inputs |= NT_INPUT_DRIVE_FAULT; /* an enable that does not obey is a fault of the drive */
    }
    struct nt_sample sample = {latch->tick, e->quadrature.counts, conversion->torque, inputs, flags};
    nt_device_sample(&e->device, &sample);
}

static void take_samples(struct example *e, uint64_t tick)
{
    struct nt_adc_conversion conversion;
    uint32_t taken = 0;
    nt_adc_poll(&e->adc, tick);
    while (taken < NT_ADC_QUEUE && nt_adc_take(&e->adc, &conversion)) {
        hand_over(e, &conversion);
        taken++;
    }
    bool blind = nt_adc_is_blind(&e->adc);
    if (blind) {
        nt_device_note_blind(&e->device, tick); /* nobody sees an overload now: nothing may go on turning */
    }
    if (taken != 0 || blind) { /* a dead converter is reported; a reset every second would only hide it */
        nt_checkin_mark(&e->checkin, NT_CHECKIN_SAMPLE);
    }
}

static void transmit(struct example *e)
{
    const struct example_access *access = e->access;
    nt_checkin_mark(&e->checkin, NT_CHECKIN_TRANSMIT);
    uint64_t tick = now(e);
    if (!access->line_idle(access->context)) {
        if (!e->stalled && tick - e->sent_tick > ticks_of_ms(STALL_MS)) {
            e->stalled = true;
            nt_device_note_stall(&e->device);
        }
        return;
    }
    const uint8_t *wire;
    size_t n = nt_device_next(&e->device, tick, &wire); /* the tick of now: PROBED carries it */
    if (n != 0) {
        access->line_send(access->context, wire, n);
        e->sent_tick = tick;
        e->stalled = false;
    }
}

void example_turn(struct example *e)
{
    uint64_t tick = now(e);
    e->newest_tick = tick > e->newest_tick ? tick : e->newest_tick;
    nt_device_poll(&e->device, e->newest_tick); /* first: what waited for the loop is judged by now */
    receive(e);
    take_samples(e, e->newest_tick);
    (void)nt_lease_output_poll(&e->lease, e->newest_tick); /* what it found goes out with the samples */
    transmit(e);
    if (nt_checkin_complete(&e->checkin)) {
        e->access->feed_watchdog(e->access->context);
    }
}

int main(void)
{
    example_init(&the_example, example_registers(), &the_keep);
    for (;;) {
        example_turn(&the_example);
    }
}
