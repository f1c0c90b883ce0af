/* The device half of the nightturn wire: one struct, a few functions to call from a port's main loop.
 *
 *   - nt_device_init, once, after nt_keep_boot;
 *   - nt_device_poll, first in every turn of the loop: what runs out, what is due. What comes behind it is
 *     judged by that tick, however long it has waited;
 *   - nt_device_receive, for bytes of the host, with the tick at which the newest one came (nt_rx hands them
 *     over), which PROBE wants;
 *   - nt_device_sample, for every sample in order; nt_device_sample_due paces a port without a data-ready
 * line;
 *   - nt_device_next, when the line is idle: the next frame, in the order of PROTOCOL.md section 2;
 *   - nt_device_note_..., for what only the port can count.
 *
 * Time never runs backwards: a tick before the newest one given counts as that one. Only PROBED carries the
 * tick of the bytes as it was given. Nothing here waits, allocates or recurses.
 *
 * The motion lease and the device-side trips are no safety function. */
#ifndef NT_DEVICE_H
#define NT_DEVICE_H

#include "nt_events.h"
#include "nt_frame.h"
#include "nt_motion.h"
#include "nt_overload.h"
#include "nt_replies.h"
#include "nt_ring.h"
#include "nt_sampler.h"
#include "nt_trips.h"

/* A clock probe that waits for the line. */
struct nt_waiting_probe {
    struct nt_probed probed;
    uint32_t seq;
};

/* Session and line. */
struct nt_link {
    uint16_t session;    /* 0: none, the device is mute */
    bool configured;     /* a SETUP came in this boot */
    bool idle;           /* the line had nothing to carry: a delimiter goes first */
    uint64_t tick;       /* newest the core was told */
    uint64_t heard_tick; /* when the host of the session was heard */
    uint64_t asked_tick; /* when a frame came that may have an answer */
    bool asked;
    uint64_t status_tick; /* when STATUS is due */
    bool status_due;
    bool slow_due;
    uint32_t notice_seq;
    uint32_t strays; /* frames of another session, another version or no sense */
    uint32_t resent;
    uint32_t overrun;          /* bytes lost at the receiver */
    uint32_t tx_stalls;        /* times the transmitter had to wait */
    uint8_t cpu_pct;           /* NT_CPU_UNKNOWN until the port says it */
    uint8_t live_since_resend; /* blocks; two, then one repeated block may go between */
    uint8_t probes;
    struct nt_waiting_probe probe[NT_PROBES_MAX]; /* oldest first */
    uint32_t resend_seq;                          /* next to be sent again */
    uint32_t resend_stop;
    uint32_t told_overwritten; /* of ring.overwritten_unsent, in the last STATUS */
    uint32_t gone_seq;         /* to be told gone */
    uint16_t gone_count;
};

struct nt_device {
    const struct nt_board *board;
    const struct nt_port *port;
    struct nt_boot boot;
    struct nt_link link;
    struct nt_deframer deframer;
    struct nt_replies replies;
    struct nt_sampler sampler;
    struct nt_overload overload;
    struct nt_events events;
    struct nt_motion_state motion;
    struct nt_trips trips;
    uint64_t temperature_tick;          /* when they are looked at next */
    uint8_t frame[NT_FRAME_BYTES_MAX];  /* under construction */
    uint8_t tx[NT_WIRE_BYTES_MAX + 1u]; /* handed to the port */
    struct nt_ring ring;
};

/* Starts a device: drive off, outputs off, mute. `board` and `port` stay with the caller. */
void nt_device_init(struct nt_device *d, const struct nt_board *board, const struct nt_port *port,
                    const struct nt_boot *boot, uint64_t tick);

void nt_device_receive(struct nt_device *d, const uint8_t *bytes, size_t n, uint64_t tick);

/* Whether a sample is due at a tick, and its nominal latch tick. */
bool nt_device_sample_due(const struct nt_device *d, uint64_t now_tick, uint64_t *latch_tick);

void nt_device_sample(struct nt_device *d, const struct nt_sample *sample);

void nt_device_poll(struct nt_device *d, uint64_t tick);

/* The next frame for an idle line: its bytes in *wire until the next call, 0 when nothing is to be said. The
 * first byte is handed to the line at `tick`. */
size_t nt_device_next(struct nt_device *d, uint64_t tick, const uint8_t **wire);

void nt_device_note_overrun(struct nt_device *d, uint32_t bytes);
void nt_device_note_stall(struct nt_device *d);

/* The converter has fallen silent: raises BRIDGE_OPEN and stops both axes, once until samples come again. */
void nt_device_note_blind(struct nt_device *d, uint64_t tick);

void nt_device_note_cpu(struct nt_device *d, uint8_t percent);

/* Whether inputs, the brake, a latched event or a failed self-test forbid motion; for a port that shows it as
 * an input. */
bool nt_device_motion_forbidden(const struct nt_device *d);

/* Tests of the core's own: bit n = test n failed. */
#define NT_SELF_TEST_CRC 0x1u
#define NT_SELF_TEST_COBS 0x2u
#define NT_SELF_TEST_SHEET 0x4u
#define NT_SELF_TEST_BOARD 0x8u  /* constants of the board that contradict each other or the core's limits */
#define NT_SELF_TEST_PORT 0x100u /* the first bit for tests of the port */
uint32_t nt_self_test(const struct nt_board *board);

#endif
