/* The core as fast as it goes, with nothing attached: samples in, frames out.
 *
 *   flat-out SAMPLES SAMPLES_PER_BLOCK
 *
 * Prints how many samples and bytes went through. `tests/benchmarks/device_speed.py` takes the time of it,
 * and the count of its instructions under callgrind. */
#include <stdio.h>
#include <stdlib.h>

#include "nt_device.h"

#define TICK_HZ 1000000u
#define RATE_HZ 10000u
#define SESSION 0x1234u
#define STATUS_MS 100u

static const uint32_t rates_hz[] = {RATE_HZ};
static const uint8_t sheet[] = "{}";
static const struct nt_board board = {
    .sheet = sheet,
    .sheet_bytes = sizeof sheet - 1u,
    .firmware = "flat-out",
    .serial = "none",
    .build = "flat-out",
    .rates_hz = rates_hz,
    .rates = 1,
    .tick_hz = TICK_HZ,
    .rail_low = -8388608,
    .rail_high = 8388607,
};
static const struct nt_port port = {0};
static struct nt_device device;

static void send(uint8_t kind, uint32_t seq, uint8_t *body, int payload_bytes, uint64_t tick)
{
    uint8_t wire[NT_WIRE_BYTES_MAX];
    nt_frame_begin(body, kind, SESSION, seq);
    size_t n = nt_frame_close(wire, body, NT_HEADER_BYTES + (size_t)payload_bytes);
    nt_device_receive(&device, wire, n, tick);
}

static void start(uint16_t samples_per_block)
{
    uint8_t body[NT_FRAME_BYTES_MAX];
    uint8_t *payload = body + NT_HEADER_BYTES;
    struct nt_open open = {.session = SESSION, .fresh = 1};
    struct nt_setup setup = {.rate_millihz = RATE_HZ * 1000u,
                             .samples_per_block = samples_per_block,
                             .status_ms = STATUS_MS,
                             .stream = NT_STREAM_BRIDGE};
    struct nt_run run = {0};
    static const uint8_t delimiter[] = {0};
    nt_device_receive(&device, delimiter, sizeof delimiter, 0);
    send(NT_KIND_OPEN, 1, body, nt_put_open(&open, payload, NT_PAYLOAD_BYTES_MAX), 0);
    send(NT_KIND_SETUP, 2, body, nt_put_setup(&setup, payload, NT_PAYLOAD_BYTES_MAX), 0);
    send(NT_KIND_RUN, 3, body, nt_put_run(&run, payload, NT_PAYLOAD_BYTES_MAX), 0);
}

int main(int argc, char **argv)
{
    if (argc != 3) {
        fprintf(stderr, "usage: flat-out SAMPLES SAMPLES_PER_BLOCK\n");
        return 2;
    }
    unsigned long samples = strtoul(argv[1], NULL, 10);
    struct nt_boot boot = {.boot_id = 1};
    nt_device_init(&device, &board, &port, &boot, 0);
    start((uint16_t)strtoul(argv[2], NULL, 10));
    unsigned long long bytes = 0;
    uint64_t tick = 0;
    for (unsigned long i = 0; i < samples; i++, tick += TICK_HZ / RATE_HZ) {
        struct nt_sample sample = {
            .tick = tick, .encoder = (int64_t)i * 37, .torque = (int32_t)(i * 40503u % 1000u)};
        const uint8_t *wire;
        size_t n;
        nt_device_sample(&device, &sample);
        nt_device_poll(&device, tick);
        device.link.heard_tick = tick; /* there is no host to be heard */
        while ((n = nt_device_next(&device, tick, &wire)) != 0) {
            bytes += n;
        }
    }
    printf("%lu samples, %llu bytes, %lu blocks\n", samples, bytes, (unsigned long)device.ring.next_seq);
    return device.sampler.running && device.ring.overwritten_unsent == 0 ? 0 : 1;
}
