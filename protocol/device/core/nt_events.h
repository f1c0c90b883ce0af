/* Events: kept until the host acknowledges them, repeated meanwhile, and what stays latched until it is
 * cleared. */
#ifndef NT_EVENTS_H
#define NT_EVENTS_H

#include "nt_config.h"

#define NT_EVENT_CODES NT_EVENT_CODE_END

NT_STATIC_ASSERT(event_codes_have_a_bit_in_raised, NT_EVENT_CODES <= 16u);
NT_STATIC_ASSERT(all_that_is_latched_can_be_kept, NT_EVENT_CODES <= NT_EVENTS_KEPT);

struct nt_kept_event {
    struct nt_event event;
    uint64_t sent_tick;
    bool sent;
};

struct nt_events {
    uint32_t tick_hz;
    uint32_t next_no;
    uint32_t suppressed; /* events not raised because their code had just been */
    uint16_t raised;     /* bit = code: it was raised once, so last_tick holds something */
    uint8_t count;
    struct nt_kept_event kept[NT_EVENTS_KEPT]; /* oldest first */
    struct nt_event latched[NT_EVENT_CODES];   /* the latched event of each code; number 0 = none */
    uint64_t last_tick[NT_EVENT_CODES];
};

/* What is to be raised. */
struct nt_happening {
    int32_t value_a;
    int32_t value_b;
    uint8_t code;     /* enum nt_event_code */
    uint8_t severity; /* enum nt_severity */
    bool latched;
};

void nt_events_init(struct nt_events *e, uint32_t tick_hz);

/* Records an event unless its code was raised a moment ago. One that latches and is not latched is always
 * recorded. When there are too many, the oldest of those that matter least gives way: by severity, and what
 * is latched last of all. */
void nt_events_raise(struct nt_events *e, uint64_t tick, const struct nt_happening *what);

/* The host has it. */
void nt_events_acknowledge(struct nt_events *e, uint32_t event_no);

/* The next event to send now, new or due for its repeat; NULL when there is none. It counts as sent. */
const struct nt_event *nt_events_due(struct nt_events *e, uint64_t tick);

/* A new session: its host is told everything unacknowledged at once, and what is latched even if another host
 * has acknowledged it. */
void nt_events_tell_again(struct nt_events *e);

/* The number of the latched event of a code, 0 when it is not latched. */
uint32_t nt_events_latched_no(const struct nt_events *e, uint8_t code);

/* How many codes are latched. */
uint32_t nt_events_latched(const struct nt_events *e);

/* The code latched by an event number, 0 when none is. */
uint8_t nt_events_code_of(const struct nt_events *e, uint32_t event_no);

void nt_events_unlatch(struct nt_events *e, uint8_t code);

#endif
