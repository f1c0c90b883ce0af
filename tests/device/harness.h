/* The core behind a fake port: samples, inputs, temperatures and what the drive does come from the test. */
#ifndef HARNESS_H
#define HARNESS_H

#include "nt_device.h"
#include "nt_link.h"

#define H_CALLS 256u /* calls into the port that are kept, the newest */
#define H_RATES 8u

enum h_what { H_SET_RATE = 1, H_DRIVE, H_DRIVE_OFF, H_SET_OUTPUT, H_SET_LEASE };

/* One call that the core made into its port. */
struct h_call {
    int64_t travel_counts;
    double setpoint;
    double speed_limit;
    double ramp;
    uint32_t what;  /* enum h_what */
    uint32_t which; /* axis, output or rate */
    uint32_t on;    /* of an output or the lease */
    uint32_t mode;
};

struct harness {
    struct nt_device d;
    struct nt_board board;
    struct nt_port port;
    struct nt_boot boot;
    uint32_t rates_hz[H_RATES];
    uint8_t sheet[NT_SHEET_BYTES_MAX];

    bool on[NT_AXES]; /* as the port was told */
    bool out[NT_OUTPUTS];
    bool lease_line;
    bool moves_alone; /* the shaft turns although nobody drives it */
    bool stands;      /* it stands although it is driven */
    float slow[NT_SLOW_CHANNELS_MAX];

    uint64_t now;
    uint64_t asked_tick; /* of the newest whole frame from the host */
    uint32_t frames;     /* whole frames so far */
    bool asked;
    uint16_t inputs; /* of the samples that h_advance takes */
    uint16_t flags;
    uint32_t lose; /* samples that are not taken before the next one */

    uint32_t calls;
    struct h_call call[H_CALLS];
    struct nt_deframer back; /* of what the device sends */
    const char *broken;      /* the first promise seen broken */
};

struct harness *h_new(void);
void h_free(struct harness *h);

/* Numbers by name: of the board before h_start, of the device after it. False or 0 for a name that is none.
 */
bool h_board(struct harness *h, const char *name, double value);
bool h_has(const char *name);
uint64_t h_get(const struct harness *h, const char *name);
void h_set(struct harness *h, const char *name, uint64_t value);

void h_sheet(struct harness *h, const uint8_t *sheet, uint32_t n, uint64_t digest);
void h_firmware(struct harness *h, const char *version); /* stays with the caller */
void h_limit(struct harness *h, uint8_t channel, float degc_max);
void h_slow(struct harness *h, uint8_t channel, float value);
void h_start(struct harness *h, uint32_t boot_id, uint8_t cause, uint32_t self_test, uint64_t tick);

void h_receive(struct harness *h, const uint8_t *bytes, size_t n, uint64_t tick);
void h_poll(struct harness *h, uint64_t tick);
void h_sample(struct harness *h, uint64_t tick, int32_t torque, int64_t encoder, uint16_t inputs,
              uint16_t flags);

/* Takes every sample due up to a tick, with values that follow from its latch tick alone. */
void h_advance(struct harness *h, uint64_t tick);
int32_t h_torque_at(uint64_t tick);
int64_t h_encoder_at(uint64_t tick);

size_t h_next(struct harness *h, uint64_t tick, uint8_t *out);

size_t h_size(const char *name); /* bytes of a struct that Python mirrors */
uint32_t h_self_test(const struct harness *h);
bool h_forbidden(const struct harness *h);
void h_blind(struct harness *h, uint64_t tick);
void h_note(struct harness *h, uint32_t overrun, uint32_t stalls, uint8_t cpu_pct);

bool h_checkin(uint8_t *seen, uint8_t part);

/* A call into the port by its number since the start; false when there is none or it is no longer kept. */
bool h_call(const struct harness *h, uint32_t number, struct h_call *out);

/* Reads a payload of any kind and writes it again: bytes written, -1 when it was refused. In message_glue.c.
 */
int h_again(uint8_t kind, const uint8_t *p, size_t n, uint8_t *out, size_t room);

/* What the core has promised and does not keep, NULL when all is well. */
const char *h_broken(struct harness *h);

#endif
