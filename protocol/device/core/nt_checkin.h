/* When the hardware watchdog may be fed: only after receiving, sampling and transmitting have each come by.
 *
 * Marked from the main loop, never from an interrupt: an interrupt goes on when the main loop hangs. */
#ifndef NT_CHECKIN_H
#define NT_CHECKIN_H

#include <stdbool.h>
#include <stdint.h>

#define NT_CHECKIN_RECEIVE 1u
#define NT_CHECKIN_SAMPLE 2u
#define NT_CHECKIN_TRANSMIT 4u
#define NT_CHECKIN_ALL (NT_CHECKIN_RECEIVE | NT_CHECKIN_SAMPLE | NT_CHECKIN_TRANSMIT)

struct nt_checkin {
    uint8_t seen;
};

static inline void nt_checkin_mark(struct nt_checkin *c, uint8_t part)
{
    c->seen = (uint8_t)(c->seen | part);
}

/* Whether all three came by since the last time this was true. */
static inline bool nt_checkin_complete(struct nt_checkin *c)
{
    if (c->seen != NT_CHECKIN_ALL) {
        return false;
    }
    c->seen = 0;
    return true;
}

#endif
