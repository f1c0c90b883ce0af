/* Command handler: a valid session and whole frames; the bytes choose kinds, payloads, samples and the
 * passing of time. So the CRC is always right and every byte reaches what it is about. The motion lease is
 * not a safety function; that it keeps its word is checked after each step. */
#include "fuzz.h"

#define SESSION 0x1234u
#define BOOT_ID 0xB0071Du
#define FRAMES_MAX 4096u

struct tape {
    const uint8_t *bytes;
    size_t left;
};

static uint8_t byte(struct tape *t)
{
    if (t->left == 0) {
        return 0;
    }
    t->left--;
    return *t->bytes++;
}

static void bytes(struct tape *t, uint8_t *out, size_t n)
{
    for (size_t i = 0; i < n; i++) {
        out[i] = byte(t);
    }
}

struct host {
    struct harness *h;
    uint32_t seq;
};

static void tell(struct host *host, uint8_t kind, const uint8_t *payload, size_t n, uint16_t session)
{
    uint8_t frame[NT_FRAME_BYTES_MAX];
    uint8_t wire[NT_WIRE_BYTES_MAX];
    nt_frame_begin(frame, kind, session, host->seq);
    if (n != 0) {
        memcpy(frame + NT_HEADER_BYTES, payload, n);
    }
    size_t wire_bytes = nt_frame_close(wire, frame, NT_HEADER_BYTES + n);
    h_receive(host->h, wire, wire_bytes, host->h->now);
}

static void open_session(struct host *host, uint8_t how)
{
    struct nt_open open = {
        .host_nonce = how,
        .last_boot_id = BOOT_ID,
        .last_session = SESSION,
        .session = (uint16_t)(SESSION + (how & 1u)),
        .fresh = (how >> 1) & 1u,
    };
    uint8_t payload[NT_FIXED_OPEN];
    nt_put_open(&open, payload, sizeof payload);
    tell(host, NT_KIND_OPEN, payload, sizeof payload, open.session);
}

/* A lease or a command that is nearly right, or right: what moves an axis is rare among random bytes. */
static void good_lease(struct host *host, struct tape *t)
{
    uint8_t payload[NT_FIXED_LEASE];
    uint64_t ago = (uint64_t)byte(t) * 4000u;
    struct nt_lease lease = {
        .seen_tick = host->h->now > ago ? host->h->now - ago : 0,
        .speed_max = (float)byte(t) / 16.0f,
        .torque_max = (float)byte(t) / 8.0f,
        .window_ms = (uint16_t)(byte(t) * 4u),
    };
    nt_put_lease(&lease, payload, sizeof payload);
    tell(host, NT_KIND_LEASE, payload, sizeof payload, host->h->d.link.session);
}

static void good_drive(struct host *host, struct tape *t)
{
    uint8_t payload[NT_FIXED_DRIVE];
    uint8_t how = byte(t);
    struct nt_drive drive = {
        .travel_counts = (int64_t)byte(t) * 100 - 12800,
        .not_after_tick = UINT64_MAX,
        .command_no = host->seq + 1u,
        .setpoint = (float)byte(t) / 32.0f - 2.0f,
        .speed_limit = (float)(byte(t) & 7u),
        .ramp = (float)byte(t) / 64.0f,
        .axis = how & 1u,
        .mode = (how >> 1) & 3u,
    };
    nt_put_drive(&drive, payload, sizeof payload);
    tell(host, NT_KIND_DRIVE, payload, sizeof payload, host->h->d.link.session);
}

static void good_setup(struct host *host, struct tape *t)
{
    static const uint32_t rates_hz[] = {100, 500, 1000, 10000};
    uint8_t payload[NT_FIXED_SETUP];
    uint8_t how = byte(t);
    struct nt_setup setup = {
        .rate_millihz = rates_hz[how & 3u] * 1000u,
        .samples_per_block = (uint16_t)(10u + byte(t) % 111u),
        .status_ms = (uint16_t)(10u + byte(t)),
        .stream = (how >> 2) & 1u,
    };
    nt_put_setup(&setup, payload, sizeof payload);
    tell(host, NT_KIND_SETUP, payload, sizeof payload, host->h->d.link.session);
    host->seq++;
    uint8_t now[NT_FIXED_RUN] = {0};
    tell(host, NT_KIND_RUN, now, sizeof now, host->h->d.link.session);
}

static void any_frame(struct host *host, struct tape *t)
{
    static const uint8_t kinds[] = {
        NT_KIND_OPEN,  NT_KIND_SHEET,     NT_KIND_SETUP,  NT_KIND_RUN,      NT_KIND_HALT,
        NT_KIND_PROBE, NT_KIND_EVENT_ACK, NT_KIND_RESEND, NT_KIND_LEASE,    NT_KIND_DRIVE,
        NT_KIND_CLEAR, NT_KIND_SWITCH,    NT_KIND_CLOSE,  NT_KIND_FIRMWARE,
    };
    static const uint8_t lengths[] = {26, 4, 10, 8, 0, 28, 4, 6, 20, 36, 4, 4, 0, 0};
    uint8_t payload[64];
    uint8_t which = byte(t);
    uint8_t kind = which;
    size_t n = which & 0x3Fu;
    if (which < 0xE0u) { /* mostly one that means something, at its length */
        kind = kinds[which % sizeof kinds];
        n = lengths[which % sizeof lengths];
    }
    bytes(t, payload, n);
    uint16_t other = (which & 0x1Fu) == 0x1Fu ? 0x5555u : 0u;
    tell(host, kind, payload, n, (uint16_t)(host->h->d.link.session ^ other));
}

static void odd_sample(struct harness *h, struct tape *t)
{
    static const int32_t torques[] = {0, 6000001, -6000001, 8388607, -8388608, 1234};
    static const int64_t encoders[] = {0, 40000, -40000, INT64_MAX, INT64_MIN, (int64_t)1 << 33};
    uint8_t how = byte(t);
    uint64_t ticks = (uint64_t)byte(t) * 100u;
    uint16_t inputs = (uint16_t)(byte(t) ^ (NT_INPUT_GUARD_CLOSED | NT_INPUT_STOP_CHAIN_HEALTHY));
    uint16_t flags = (how & 0x80u) != 0 ? NT_SAMPLE_FLAG_BRIDGE_FAULT : 0;
    h_sample(h, h->now + ticks, torques[how % 6u], encoders[(how / 6u) % 6u], inputs, flags);
}

/* Time without samples; they are not made up for. */
static void stall(struct harness *h, uint64_t ticks)
{
    h_poll(h, h->now + ticks);
    if (h->now > h->d.sampler.next_tick) {
        h->lose = (uint32_t)((h->now - h->d.sampler.next_tick) / h->d.sampler.period_ticks);
    }
}

static void step(struct host *host, struct tape *t)
{
    struct harness *h = host->h;
    uint8_t what = byte(t);
    host->seq += (what & 0x10u) != 0 ? 0u : 1u; /* or the number of before: a retry, or another request */
    switch (what & 0x0Fu) {
    case 0:
        open_session(host, byte(t));
        break;
    case 1:
        good_lease(host, t);
        break;
    case 2:
        good_drive(host, t);
        break;
    case 3:
        good_setup(host, t);
        break;
    case 4:
        odd_sample(h, t);
        break;
    case 5:
        h_slow(h, byte(t) & 1u, (float)byte(t));
        break;
    case 6:
        h->lose = byte(t);
        break;
    case 7:
        h->inputs = (uint16_t)(byte(t) ^ (NT_INPUT_GUARD_CLOSED | NT_INPUT_STOP_CHAIN_HEALTHY));
        break;
    case 8:
        stall(h, (uint64_t)byte(t) * 20000u);
        break;
    case 9:
        h_advance(h, h->now + byte(t) * 200u);
        break;
    case 10:
        drain(h, 1u + byte(t));
        break;
    default:
        any_frame(host, t);
        break;
    }
    keep_promises(h);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t n)
{
    static const uint8_t sheet[] = "{\"schema\":1}";
    struct tape tape = {data, n};
    struct host host = {h_new(), 1};
    h_sheet(host.h, sheet, sizeof sheet - 1u, 7);
    h_board(host.h, "slow_channels", 2);
    h_limit(host.h, 1, 80.0f);
    h_start(host.h, BOOT_ID, NT_RESET_CAUSE_POWER, 0, 0);
    h_advance(host.h, 2000);
    open_session(&host, 2);
    while (tape.left != 0) {
        step(&host, &tape);
    }
    must(drain(host.h, FRAMES_MAX) < FRAMES_MAX, "a device comes to an end");
    h_poll(host.h, host.h->now + 4000000u);
    keep_promises(host.h);
    must(drain(host.h, FRAMES_MAX) == 0, "a device that hears nobody falls silent");
    must(host.h->d.motion.driven == 0 && host.h->d.motion.outputs == 0, "what is not asked for again is off");
    h_free(host.h);
    return 0;
}
