/* Motion lease, the two axes and the switched outputs: all of them off at start and off again by the device's
 * own clock.
 *
 * The motion lease is not a safety function. It makes a crashed or lagging host stop the motor in an orderly
 * way. */
#ifndef NT_MOTION_H
#define NT_MOTION_H

#include "nt_port.h"

#define NT_AXES 2u
#define NT_OUTPUTS 4u

struct nt_motion_lease {
    uint64_t seen_tick; /* of the last lease taken */
    uint64_t deadline;
    float speed_max;
    float torque_max;
    uint32_t refused;
    uint8_t state; /* enum nt_lease_state */
    bool taken;    /* seen_tick holds something */
};

struct nt_motion_state {
    const struct nt_board *board;
    const struct nt_port *port;
    struct nt_motion_lease lease;
    uint8_t driven;          /* bit n: axis n is on */
    float ramp;              /* of the drive axis' last command, 0 = the board's own */
    float off_ramp[NT_AXES]; /* of the stop under way, 0 = the board's own */
    uint8_t outputs;         /* bit n: output n is on */
    uint64_t output_until[NT_OUTPUTS];
    uint32_t switch_seq[NT_OUTPUTS]; /* of the last SWITCH of each, or of the OPEN before it */
    uint32_t command_no;             /* newest of this session, 0 = none yet */
    uint8_t command_reason;          /* what it was answered */
};

/* Everything off, also in hardware. */
void nt_motion_init(struct nt_motion_state *m, const struct nt_board *board, const struct nt_port *port);

bool nt_motion_moving(const struct nt_motion_state *m);

/* Takes a lease at a tick, or counts it as refused and keeps the old one. */
void nt_motion_offer(struct nt_motion_state *m, const struct nt_lease *lease, uint64_t tick);

/* Whether the lease has run out by this tick. */
bool nt_motion_lease_over(const struct nt_motion_state *m, uint64_t tick);

/* The lease is gone: latched when an axis was on. Returns the axes that were. One that was told to stop
 * gently stops no more gently than after any lapse. */
uint8_t nt_motion_lapse(struct nt_motion_state *m);

/* CLEAR, or the end of a session. */
void nt_motion_lease_clear(struct nt_motion_state *m);
void nt_motion_lease_end(struct nt_motion_state *m);

/* Why a DRIVE is refused, NT_REASON_NONE when it is not. `interlocked`: an input forbids motion; `latched`:
 * an event does. */
uint8_t nt_motion_why_not(const struct nt_motion_state *m, const struct nt_drive *drive, uint64_t tick,
                          bool interlocked, bool latched);

/* Carries out a DRIVE once: one whose number is not newer than the newest of the session is answered, never
 * carried out again. The reason it is refused, NT_REASON_NONE when it was taken. */
uint8_t nt_motion_command(struct nt_motion_state *m, const struct nt_drive *drive, uint64_t tick,
                          bool interlocked, bool latched);

/* A new session: commands are numbered anew. */
void nt_motion_commands_anew(struct nt_motion_state *m);

/* An OPEN with this sequence number: what was sent before it is no order any more. */
void nt_motion_switches_anew(struct nt_motion_state *m, uint32_t seq);

/* OFF, always taken; an axis that does not exist means both. A stop under way is never softened. */
void nt_motion_off(struct nt_motion_state *m, uint8_t axis, float ramp);

/* Both axes off: because the lease or the session ended, or hard, by a trip. */
void nt_motion_ramp_down(struct nt_motion_state *m);
void nt_motion_stop(struct nt_motion_state *m);

/* Works an output; NT_REASON_NONE when it was done. One that an order with a later `seq` has overtaken is too
 * late. */
uint8_t nt_motion_switch(struct nt_motion_state *m, const struct nt_switch *order, uint32_t seq,
                         uint64_t tick);

/* Turns off what has run out by this tick; bit n: output n did. */
uint8_t nt_motion_expire(struct nt_motion_state *m, uint64_t tick);

void nt_motion_outputs_off(struct nt_motion_state *m);

#endif
