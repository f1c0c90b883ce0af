#include "nt_events.h"

void nt_events_init(struct nt_events *e, uint32_t tick_hz)
{
    memset(e, 0, sizeof *e);
    e->tick_hz = tick_hz;
    e->next_no = 1;
}

static uint64_t ticks_of_ms(const struct nt_events *e, uint32_t ms)
{
    return (uint64_t)ms * e->tick_hz / 1000u;
}

static bool just_raised(const struct nt_events *e, uint64_t tick, uint8_t code)
{
    if ((e->raised & (1u << code)) == 0) {
        return false;
    }
    bool chatters = code == NT_EVENT_CODE_BRIDGE_OPEN || code == NT_EVENT_CODE_ADC_SATURATED;
    uint32_t ms = chatters ? NT_EVENT_LONG_INHIBIT_MS : NT_EVENT_INHIBIT_MS;
    return tick - e->last_tick[code] < ticks_of_ms(e, ms);
}

static void forget(struct nt_events *e, uint8_t at)
{
    e->count--;
    memmove(&e->kept[at], &e->kept[at + 1u], (size_t)(e->count - at) * sizeof e->kept[0]);
}

static bool is_latched(const struct nt_events *e, const struct nt_event *event)
{
    return e->latched[event->code].event_no == event->event_no;
}

/* How much it matters that the host learns of it: one that stands until a person has answered for it before
 * one that does not, an alarm before chatter. */
static uint8_t weight(const struct nt_events *e, const struct nt_event *event)
{
    return (uint8_t)(is_latched(e, event) ? NT_SEVERITY_END : event->severity);
}

/* Room for one event of a weight: the oldest of those that matter least gives way. False when all matter
 * more. */
static bool make_room(struct nt_events *e, uint8_t newcomer)
{
    if (e->count < NT_EVENTS_KEPT) {
        return true;
    }
    uint8_t least = 0;
    for (uint8_t i = 1; i < e->count; i++) {
        if (weight(e, &e->kept[i].event) < weight(e, &e->kept[least].event)) {
            least = i;
        }
    }
    if (weight(e, &e->kept[least].event) > newcomer) {
        return false;
    }
    forget(e, least);
    return true;
}

/* Keeps an event, unsent, in the order of the numbers. */
static void keep(struct nt_events *e, const struct nt_event *event)
{
    if (!make_room(e, weight(e, event))) {
        return; /* its number is missing from then on, as any other's that gave way */
    }
    uint8_t at = e->count;
    while (at > 0 && e->kept[at - 1u].event.event_no > event->event_no) {
        e->kept[at] = e->kept[at - 1u];
        at--;
    }
    memset(&e->kept[at], 0, sizeof e->kept[at]);
    e->kept[at].event = *event;
    e->count++;
}

void nt_events_raise(struct nt_events *e, uint64_t tick, const struct nt_happening *what)
{
    bool latches = what->latched && nt_events_latched_no(e, what->code) == 0;
    if (!latches && just_raised(e, tick, what->code)) {
        e->suppressed++;
        return;
    }
    e->raised |= (uint16_t)(1u << what->code);
    e->last_tick[what->code] = tick;
    struct nt_event event = {
        .tick = tick,
        .event_no = e->next_no++,
        .value_a = what->value_a,
        .value_b = what->value_b,
        .code = what->code,
        .severity = what->severity,
        .latched = what->latched ? 1 : 0,
    };
    if (what->latched) {
        e->latched[what->code] = event;
    }
    keep(e, &event);
}

static bool is_kept(const struct nt_events *e, uint32_t event_no)
{
    for (uint8_t i = 0; i < e->count; i++) {
        if (e->kept[i].event.event_no == event_no) {
            return true;
        }
    }
    return false;
}

void nt_events_tell_again(struct nt_events *e)
{
    for (uint8_t i = 0; i < e->count; i++) {
        e->kept[i].sent = false;
    }
    for (uint8_t code = 0; code < NT_EVENT_CODES; code++) {
        uint32_t event_no = nt_events_latched_no(e, code);
        if (event_no != 0 && !is_kept(e, event_no)) {
            keep(e, &e->latched[code]);
        }
    }
}

void nt_events_acknowledge(struct nt_events *e, uint32_t event_no)
{
    for (uint8_t i = 0; i < e->count; i++) {
        if (e->kept[i].event.event_no == event_no) {
            forget(e, i);
            return;
        }
    }
}

const struct nt_event *nt_events_due(struct nt_events *e, uint64_t tick)
{
    for (uint8_t i = 0; i < e->count; i++) {
        struct nt_kept_event *kept = &e->kept[i];
        if (!kept->sent || tick - kept->sent_tick >= ticks_of_ms(e, NT_EVENT_REPEAT_MS)) {
            kept->sent = true;
            kept->sent_tick = tick;
            return &kept->event;
        }
    }
    return NULL;
}

uint32_t nt_events_latched_no(const struct nt_events *e, uint8_t code)
{
    return e->latched[code].event_no;
}

uint32_t nt_events_latched(const struct nt_events *e)
{
    uint32_t n = 0;
    for (uint8_t code = 0; code < NT_EVENT_CODES; code++) {
        n += nt_events_latched_no(e, code) != 0 ? 1u : 0u;
    }
    return n;
}

uint8_t nt_events_code_of(const struct nt_events *e, uint32_t event_no)
{
    for (uint8_t code = 0; code < NT_EVENT_CODES; code++) {
        if (event_no != 0 && nt_events_latched_no(e, code) == event_no) {
            return code;
        }
    }
    return 0;
}

void nt_events_unlatch(struct nt_events *e, uint8_t code)
{
    memset(&e->latched[code], 0, sizeof e->latched[code]);
}
