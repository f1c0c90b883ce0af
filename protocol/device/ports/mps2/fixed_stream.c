#include "fixed_stream.h"

#include "clock.h"

#define SESSION 0x5EEDu
#define STEP_TICKS 20000u  /* between two of the first requests */
#define SAY_TICKS 1000000u /* a device falls silent when its host does */
#define EVENT_OF_BOOT 1u

static const struct nt_open open = {.session = SESSION, .minor = NT_MINOR, .fresh = 1};
static const struct nt_setup setup = {
    .rate_millihz = 1000000u, .samples_per_block = 50, .status_ms = 200, .stream = NT_STREAM_BRIDGE};
static const struct nt_run run = {.start_tick = 0};
static const struct nt_event_ack event_ack = {.event_no = EVENT_OF_BOOT};

static uint32_t next_seq = 1;
static uint64_t told_tick = NT_FIXED_STREAM_START_TICK;

void nt_fixed_stream_begin(struct nt_boot *boot)
{
    while (nt_clock_tick() < NT_FIXED_STREAM_START_TICK) {
    }
    boot->boot_id = NT_FIXED_STREAM_BOOT_ID;
}

uint64_t nt_fixed_stream_tick(void)
{
    return told_tick;
}

bool nt_fixed_stream_done(void)
{
    if (nt_clock_tick() < told_tick + NT_FIXED_STREAM_TICKS) {
        return false;
    }
    told_tick += NT_FIXED_STREAM_TICKS;
    return true;
}

static void say(struct nt_device *device, uint64_t tick, uint8_t kind, uint8_t *frame, int payload_bytes)
{
    uint8_t wire[NT_WIRE_BYTES(NT_HEADER_BYTES + NT_FIXED_OPEN + NT_CRC_BYTES)];
    nt_frame_begin(frame, kind, SESSION, next_seq++);
    size_t n = nt_frame_close(wire, frame, NT_HEADER_BYTES + (size_t)payload_bytes);
    nt_device_receive(device, wire, n, tick);
}

void nt_fixed_stream_feed(struct nt_device *device, uint64_t tick)
{
    static uint32_t step;
    static uint64_t due_tick;
    uint8_t frame[NT_HEADER_BYTES + NT_FIXED_OPEN + NT_CRC_BYTES];
    uint8_t *payload = frame + NT_HEADER_BYTES;
    if (tick < due_tick) {
        return;
    }
    due_tick = tick + (step < 3u ? STEP_TICKS : SAY_TICKS);
    switch (step++) {
    case 0:
        say(device, tick, NT_KIND_OPEN, frame, nt_put_open(&open, payload, NT_FIXED_OPEN));
        break;
    case 1:
        say(device, tick, NT_KIND_SETUP, frame, nt_put_setup(&setup, payload, NT_FIXED_OPEN));
        break;
    case 2:
        say(device, tick, NT_KIND_RUN, frame, nt_put_run(&run, payload, NT_FIXED_OPEN));
        break;
    default:
        say(device, tick, NT_KIND_EVENT_ACK, frame, nt_put_event_ack(&event_ack, payload, NT_FIXED_OPEN));
        break;
    }
}
