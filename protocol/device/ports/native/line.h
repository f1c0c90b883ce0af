/* The line between the core and the pty: at once, or no faster than a UART of a declared rate. */
#ifndef NT_NATIVE_LINE_H
#define NT_NATIVE_LINE_H

#include "clock.h"
#include "nt_device.h"
#include "nt_rx.h"
#include "pty.h"

#define NT_LINE_BYTES 4096u /* on their way from the host */

struct nt_line {
    const struct nt_pty *pty;
    struct nt_rx rx;
    int64_t ns_per_byte; /* 0: the line takes what it is given at once */
    /* to the host */
    const uint8_t *frame; /* of the core, being sent */
    size_t frame_bytes;
    size_t sent;
    bool stalled;      /* the frame waits for its reader */
    int64_t begun_ns;  /* when its first byte was handed over */
    int64_t served_ns; /* when the line was last looked at */
    /* from the host */
    size_t coming;      /* bytes whose time has not come */
    int64_t arrives_ns; /* when the first of them is there */
    uint8_t bytes[NT_LINE_BYTES];
};

void nt_line_init(struct nt_line *line, struct nt_pty *pty, uint32_t baud);

/* A reset cuts off what is being sent and forgets what has come. */
void nt_line_reset(struct nt_line *line);

/* Hands the core what has arrived. */
void nt_line_receive(struct nt_line *line, struct nt_device *d, const struct nt_clock *clock);

/* Sends what the core has to say. */
void nt_line_transmit(struct nt_line *line, struct nt_device *d, const struct nt_clock *clock);

#endif
