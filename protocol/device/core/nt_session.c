#include "nt_session.h"

#include "nt_link.h"

static void end_session(struct nt_device *d)
{
    nt_sampler_halt(&d->sampler, &d->ring);
    nt_motion_ramp_down(&d->motion);
    nt_motion_outputs_off(&d->motion);
    nt_motion_lease_end(&d->motion);
    nt_motion_commands_anew(&d->motion);
}

static void set_session(struct nt_device *d, uint16_t session)
{
    d->link.session = session;
    d->sampler.session = session;
}

static size_t put_opened(const struct nt_device *d, bool resumed, uint8_t *out)
{
    const struct nt_sampler *s = &d->sampler;
    struct nt_opened opened = {
        .digest = d->board->sheet_digest,
        .uptime_tick = d->link.tick,
        .next_index = s->next_index,
        .boot_id = d->boot.boot_id,
        .tick_hz = d->board->tick_hz,
        .ring_bytes = NT_RING_BYTES,
        .oldest_seq = d->ring.oldest_seq,
        .next_seq = d->ring.next_seq,
        .torque_min = s->seen ? s->torque_min : 0,
        .torque_max = s->seen ? s->torque_max : 0,
        .frame_bytes_max = NT_FRAME_BYTES_MAX,
        .session = d->link.session,
        .config_epoch = s->config_epoch,
        .minor = NT_MINOR,
        .reset_cause = d->boot.reset_cause,
        .state = nt_link_state(d),
        .resumed = resumed ? 1 : 0,
    };
    nt_put_text(opened.firmware, d->board->firmware, sizeof opened.firmware);
    nt_put_text(opened.board, d->board->serial, sizeof opened.board);
    return (size_t)nt_put_opened(&opened, out, NT_PAYLOAD_BYTES_MAX);
}

/* Whatever the line still owed to the host of before. */
static void owe_nothing(struct nt_link *link)
{
    link->probes = 0;
    link->gone_count = 0;
    link->resend_seq = link->resend_stop;
}

/* Whether an OPEN comes from who holds the session in force, in this boot. */
static bool holds(const struct nt_device *d, const struct nt_open *open)
{
    return open->fresh == 0 && d->link.session != 0 && open->last_session == d->link.session &&
           open->last_boot_id == d->boot.boot_id;
}

bool nt_session_is_taken(const struct nt_device *d, const struct nt_open *open)
{
    return !holds(d, open) && d->motion.lease.state == NT_LEASE_STATE_LIVE;
}

size_t nt_session_open(struct nt_device *d, const struct nt_open *open, uint32_t seq, uint8_t *out)
{
    bool resumed = holds(d, open);
    owe_nothing(&d->link);
    if (!resumed) {
        end_session(d);
        set_session(d, open->session);
        nt_ring_empty(&d->ring);
        nt_replies_init(&d->replies);     /* the numbers of a new session mean other requests */
        nt_events_tell_again(&d->events); /* what is latched, whoever has acknowledged it */
    }
    d->link.heard_tick = d->link.tick;
    nt_motion_switches_anew(&d->motion, seq);
    size_t bytes = put_opened(d, resumed, out);
    d->sampler.seen = false; /* what OPENED has told of the torque */
    return bytes;
}

void nt_session_close(struct nt_device *d)
{
    end_session(d);
    owe_nothing(&d->link);
    set_session(d, 0);
}
