/* The main loop: receive, sample, transmit, feed the watchdog, sleep. */
#include "boot.h"
#include "clock.h"
#include "fixed_stream.h"
#include "nt_device.h"
#include "nt_plant.h"
#include "startup.h"
#include "uart.h"

/* The loop comes by at least so often. More often would only warm the computer that emulates. */
#define WAKE_US 2000u
#define CATCH_UP_SAMPLES 64u /* at most in one turn, so that the line is served meanwhile */
#define LAG_TICKS NT_TICK_HZ /* a second; further behind, samples are given up: a hole that says so */
#define LOAD_TICKS (NT_TICK_HZ / 2u)
#define RECEIVE_BYTES 64u
#define RECEIVE_PIECES 64u /* in one turn */

static struct nt_device device;
static struct nt_plant plant;
static struct nt_board board;
static struct nt_port port;
static uint64_t newest_tick; /* the core was told */

static struct {
    uint64_t since_tick;
    uint32_t asleep_ticks;
} load;

static uint64_t clock_tick(void)
{
    return NT_STREAM_IS_FIXED ? nt_fixed_stream_tick() : nt_clock_tick();
}

/* The tick now, which the core is told first: what has waited for the loop is judged by now, not by when it
 * came. */
static uint64_t look_at_the_clock(void)
{
    uint64_t tick = clock_tick();
    newest_tick = tick > newest_tick ? tick : newest_tick;
    nt_device_poll(&device, newest_tick);
    return newest_tick;
}

/* Hands the core what came, each delimiter with the tick of its arrival, for PROBE. */
static void receive(void)
{
    uint8_t bytes[RECEIVE_BYTES];
    for (uint32_t i = 0; i < RECEIVE_PIECES; i++) {
        uint64_t stamp = newest_tick;
        size_t n = nt_rx_take(nt_uart_rx(), bytes, sizeof bytes, &stamp);
        if (n == 0) {
            break;
        }
        nt_device_receive(&device, bytes, n, stamp);
    }
    nt_checkin_mark(&nt_checked, NT_CHECKIN_RECEIVE);
}

static void count_lost_bytes(void)
{
    static uint32_t counted;
    uint32_t lost = nt_uart_rx()->overrun + nt_uart_overruns();
    if (lost != counted) {
        nt_device_note_overrun(&device, lost - counted);
        counted = lost;
    }
}

/* Samples that are due, with the tick at which a converter would have latched them. True when there are more.
 */
static bool sample(uint64_t now)
{
    uint32_t taken = 0;
    uint64_t latch;
    while (taken < CATCH_UP_SAMPLES && nt_device_sample_due(&device, now, &latch)) {
        struct nt_sample one;
        nt_plant_sample(&plant, &one);
        one.tick = latch;
        if (now - latch > LAG_TICKS) {
            one.tick += (now - latch) / device.sampler.period_ticks * device.sampler.period_ticks;
        }
        nt_device_sample(&device, &one);
        taken++;
    }
    if (taken != 0) {
        nt_checkin_mark(&nt_checked, NT_CHECKIN_SAMPLE);
        nt_plant_set_ready(&plant, !nt_device_motion_forbidden(&device));
    }
    return taken == CATCH_UP_SAMPLES;
}

/* True when a frame went to the UART. */
static bool transmit(void)
{
    nt_checkin_mark(&nt_checked, NT_CHECKIN_TRANSMIT);
    if (nt_uart_advance(newest_tick)) {
        nt_device_note_stall(&device);
    }
    if (!nt_uart_idle()) {
        return false;
    }
    const uint8_t *wire;
    size_t n = nt_device_next(&device, look_at_the_clock(), &wire);
    if (n != 0) {
        nt_uart_send(wire, n);
    }
    return n != 0;
}

static void watch(void)
{
    if (!nt_stack_guarded()) {
        nt_crash(NT_RESET_CAUSE_FAULT, NT_CRASH_PC_UNKNOWN, 0, NT_CRASH_STACK);
    }
    if (nt_checkin_complete(&nt_checked)) {
        nt_watchdog_feed();
    }
}

static void note_load(uint64_t now)
{
    uint32_t all = (uint32_t)(now - load.since_tick);
    if (all >= LOAD_TICKS) {
        uint32_t awake = all > load.asleep_ticks ? all - load.asleep_ticks : 0;
        if (!NT_STREAM_IS_FIXED) { /* no byte of that one may depend on how fast the processor is */
            nt_device_note_cpu(&device, (uint8_t)(awake / (all / 100u)));
        }
        load.since_tick = now;
        load.asleep_ticks = 0;
    }
}

/* Until the next interrupt, unless one has brought something since the loop looked. */
static void sleep(bool line_was_busy)
{
    const struct nt_rx *rx = nt_uart_rx();
    uint32_t primask = nt_irq_save();
    if (rx->put == rx->taken && !(line_was_busy && nt_uart_idle())) {
        uint64_t from = nt_clock_tick();
        __asm__ volatile("dsb\n\twfi" ::: "memory"); /* wakes on an interrupt that is held off, too */
        load.asleep_ticks += (uint32_t)(nt_clock_tick() - from);
    }
    nt_irq_restore(primask);
}

static void start(uint32_t noise, uint32_t failed)
{
    static struct nt_identity identity;
    struct nt_boot boot;
    nt_watchdog_start(); /* first: what hangs below is caught too */
    nt_clock_start();
    nt_identify(&identity);
    board = nt_plant_board;
    board.serial = identity.serial;
    board.build = identity.build;
    nt_boot_up(&boot, &board, identity.number, noise, failed);
    nt_plant_init(&plant, identity.number, board.rates_hz[0]);
    nt_plant_port(&plant, &port);
    if (NT_STREAM_IS_FIXED) {
        nt_fixed_stream_begin(&boot);
    }
    newest_tick = clock_tick();
    nt_device_init(&device, &board, &port, &boot, newest_tick);
    load.since_tick = newest_tick;
    nt_uart_start();
    nt_clock_wake_every(WAKE_US);
}

void nt_main(uint32_t noise, uint32_t failed)
{
    start(noise, failed);
    for (;;) {
        uint64_t now = look_at_the_clock();
        receive();
        if (NT_STREAM_IS_FIXED) {
            nt_fixed_stream_feed(&device, now);
        }
        count_lost_bytes();
        bool more = sample(now);
        bool sent = transmit();
        bool line_was_busy = !sent && !nt_uart_idle();
        note_load(newest_tick);
        watch();
        bool goes_on = more || sent;
        if (NT_STREAM_IS_FIXED && !goes_on && nt_uart_settled()) {
            goes_on = nt_fixed_stream_done();
        }
        if (!goes_on) {
            sleep(line_was_busy);
        }
    }
}
