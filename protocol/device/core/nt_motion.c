#include "nt_motion.h"

#include <math.h>

static void set_output(struct nt_motion_state *m, uint8_t output, bool on)
{
    uint8_t bit = (uint8_t)(1u << output);
    m->outputs = on ? (uint8_t)(m->outputs | bit) : (uint8_t)(m->outputs & ~bit);
    if (m->port->set_output != NULL) {
        m->port->set_output(m->port->context, output, on);
    }
}

static void set_lease(struct nt_motion_state *m, uint8_t state)
{
    m->lease.state = state;
    if (m->port->set_lease != NULL) {
        m->port->set_lease(m->port->context, state == NT_LEASE_STATE_LIVE);
    }
}

void nt_motion_init(struct nt_motion_state *m, const struct nt_board *board, const struct nt_port *port)
{
    memset(m, 0, sizeof *m);
    m->board = board;
    m->port = port;
    set_lease(m, NT_LEASE_STATE_OFF);
    nt_motion_outputs_off(m);
    nt_motion_stop(m);
}

bool nt_motion_moving(const struct nt_motion_state *m)
{
    if (m->port->moving == NULL) { /* nobody can say, so an axis that is on counts as turning */
        return (m->driven & (1u << NT_AXIS_DRIVE)) != 0;
    }
    return m->port->moving(m->port->context);
}

/* ---- lease ---- */

static uint64_t ticks_of_ms(const struct nt_motion_state *m, uint32_t ms)
{
    return (uint64_t)ms * m->board->tick_hz / 1000u;
}

static bool is_limit(float value)
{
    return isfinite(value) && value >= 0.0f;
}

void nt_motion_offer(struct nt_motion_state *m, const struct nt_lease *lease, uint64_t tick)
{
    struct nt_motion_lease *l = &m->lease;
    bool newer = !l->taken || lease->seen_tick > l->seen_tick;
    bool window = lease->window_ms >= 1u && lease->window_ms <= NT_LEASE_WINDOW_MS_MAX;
    /* Written as a difference: seen_tick + window could wrap for a hostile seen_tick. */
    bool alive = lease->seen_tick <= tick && tick - lease->seen_tick < ticks_of_ms(m, lease->window_ms);
    bool limits = is_limit(lease->speed_max) && is_limit(lease->torque_max);
    if (l->state == NT_LEASE_STATE_LAPSED || !newer || !window || !alive || !limits) {
        l->refused++;
        return;
    }
    l->taken = true;
    l->seen_tick = lease->seen_tick;
    l->deadline = lease->seen_tick + ticks_of_ms(m, lease->window_ms);
    l->speed_max = lease->speed_max;
    l->torque_max = lease->torque_max;
    set_lease(m, NT_LEASE_STATE_LIVE);
}

bool nt_motion_lease_over(const struct nt_motion_state *m, uint64_t tick)
{
    return m->lease.state == NT_LEASE_STATE_LIVE && tick >= m->lease.deadline;
}

uint8_t nt_motion_lapse(struct nt_motion_state *m)
{
    uint8_t driven = m->driven;
    nt_motion_ramp_down(m);
    if (driven == 0) {
        nt_motion_lease_end(m); /* nothing was driven, so nobody has to clear anything */
    } else {
        set_lease(m, NT_LEASE_STATE_LAPSED);
    }
    return driven;
}

void nt_motion_lease_clear(struct nt_motion_state *m)
{
    if (m->lease.state == NT_LEASE_STATE_LAPSED) {
        set_lease(m, NT_LEASE_STATE_OFF);
    }
}

void nt_motion_lease_end(struct nt_motion_state *m)
{
    if (m->lease.state == NT_LEASE_STATE_LIVE) {
        set_lease(m, NT_LEASE_STATE_OFF);
    }
}

/* ---- axes ---- */

/* How hard a ramp is, compared with others. The board's own is at least the gentlest allowed on the drive
 * axis; of the actuator's nothing is known, so nothing may replace it. */
static float hardness(const struct nt_motion_state *m, uint8_t axis, float ramp)
{
    if (ramp != 0.0f) {
        return ramp;
    }
    return axis == NT_AXIS_DRIVE ? m->board->ramp_least : INFINITY;
}

static void axis_off(struct nt_motion_state *m, uint8_t axis, float ramp)
{
    uint8_t bit = (uint8_t)(1u << axis);
    bool stopping = (m->driven & bit) == 0;
    if (!stopping || hardness(m, axis, ramp) > hardness(m, axis, m->off_ramp[axis])) {
        m->off_ramp[axis] = ramp;
    }
    m->driven &= (uint8_t)~bit;
    if (m->port->drive_off != NULL) {
        m->port->drive_off(m->port->context, axis, m->off_ramp[axis]);
    }
}

void nt_motion_off(struct nt_motion_state *m, uint8_t axis, float ramp)
{
    float usable = is_limit(ramp) ? ramp : 0.0f;
    if (axis != NT_AXIS_DRIVE) {
        axis_off(m, NT_AXIS_ACTUATOR, usable);
    }
    if (axis != NT_AXIS_ACTUATOR) {
        axis_off(m, NT_AXIS_DRIVE, usable);
    }
}

void nt_motion_ramp_down(struct nt_motion_state *m)
{
    float least = m->board->ramp_least;
    axis_off(m, NT_AXIS_ACTUATOR, 0.0f);
    axis_off(m, NT_AXIS_DRIVE, m->ramp != 0.0f && m->ramp < least ? least : m->ramp);
}

void nt_motion_stop(struct nt_motion_state *m)
{
    axis_off(m, NT_AXIS_ACTUATOR, 0.0f);
    axis_off(m, NT_AXIS_DRIVE, m->board->ramp_stop);
}

/* 0 names the board's own limit, never none. */
static float speed_limit_of(const struct nt_motion_state *m, const struct nt_drive *drive)
{
    float limit = drive->speed_limit;
    return limit > 0.0f && limit < m->board->speed_max ? limit : m->board->speed_max;
}

static uint8_t torque_bounds(const struct nt_motion_state *m, const struct nt_drive *drive)
{
    float torque = fabsf(drive->setpoint);
    float limit = drive->speed_limit;
    if (torque > m->board->torque_max || limit < 0.0f || drive->ramp < 0.0f) {
        return NT_REASON_OUT_OF_RANGE;
    }
    float most = speed_limit_of(m, drive); /* how fast it may spin up with nothing to push against */
    return torque > m->lease.torque_max || most > m->lease.speed_max || limit > m->lease.speed_max
               ? NT_REASON_LEASE_LIMIT
               : NT_REASON_NONE;
}

static uint8_t speed_bounds(const struct nt_motion_state *m, const struct nt_drive *drive)
{
    float speed = fabsf(drive->setpoint);
    float limit = drive->speed_limit;
    float most = speed_limit_of(m, drive);
    bool travels = drive->mode == NT_DRIVE_MODE_TRAVEL;
    bool nowhere = travels && (drive->travel_counts == 0 || speed == 0.0f);
    if (speed > most || limit < 0.0f || drive->ramp < 0.0f || nowhere) {
        return NT_REASON_OUT_OF_RANGE;
    }
    if (speed > m->lease.speed_max || limit > m->lease.speed_max) {
        return NT_REASON_LEASE_LIMIT;
    }
    return travels && nt_motion_moving(m) ? NT_REASON_NOT_NOW : NT_REASON_NONE;
}

uint8_t nt_motion_why_not(const struct nt_motion_state *m, const struct nt_drive *drive, uint64_t tick,
                          bool interlocked, bool latched)
{
    if (!isfinite(drive->setpoint) || !isfinite(drive->speed_limit) || !isfinite(drive->ramp)) {
        return NT_REASON_NOT_FINITE;
    }
    bool endless = drive->command_no == 0 || drive->not_after_tick == 0; /* nothing bounds when it acts */
    if (drive->axis >= NT_AXES || drive->mode > NT_DRIVE_MODE_TORQUE || endless) {
        return NT_REASON_OUT_OF_RANGE;
    }
    bool has_drive = (m->board->features & NT_FEATURE_DRIVE) != 0;
    if (!has_drive || (m->board->modes & NT_MODE_BIT(drive->axis, drive->mode)) == 0) {
        return NT_REASON_UNSUPPORTED;
    }
    if (tick > drive->not_after_tick) {
        return NT_REASON_TOO_LATE;
    }
    if (interlocked || (m->outputs & (1u << NT_OUTPUT_BRAKE)) != 0) {
        return NT_REASON_INTERLOCK;
    }
    if (m->lease.state != NT_LEASE_STATE_LIVE) {
        return m->lease.state == NT_LEASE_STATE_LAPSED ? NT_REASON_LATCHED : NT_REASON_NO_LEASE;
    }
    if (latched) {
        return NT_REASON_LATCHED;
    }
    uint8_t reason = drive->mode == NT_DRIVE_MODE_TORQUE ? torque_bounds(m, drive) : speed_bounds(m, drive);
    bool shorted = drive->axis == NT_AXIS_ACTUATOR && (m->outputs & (1u << NT_OUTPUT_WINDING)) != 0;
    return reason == NT_REASON_NONE && shorted ? NT_REASON_INTERLOCK : reason;
}

static void carry_out(struct nt_motion_state *m, const struct nt_drive *drive)
{
    struct nt_motion motion = {
        .travel_counts = drive->travel_counts,
        .setpoint = drive->mode == NT_DRIVE_MODE_TRAVEL ? fabsf(drive->setpoint) : drive->setpoint,
        .speed_limit = speed_limit_of(m, drive),
        .ramp = drive->ramp,
        .axis = drive->axis,
        .mode = drive->mode,
    };
    if (drive->axis == NT_AXIS_DRIVE) {
        m->ramp = drive->ramp;
    }
    if (drive->setpoint == 0.0f) { /* a speed or torque of 0 is off */
        axis_off(m, drive->axis, drive->ramp);
        return;
    }
    m->driven |= (uint8_t)(1u << drive->axis);
    m->port->drive(m->port->context, &motion);
}

/* A refused command has used its number up as well: else a copy that comes late could still turn the shaft
 * after its host was told no. A number that OFF has used names no other command. */
uint8_t nt_motion_command(struct nt_motion_state *m, const struct nt_drive *drive, uint64_t tick,
                          bool interlocked, bool latched)
{
    bool newer = drive->command_no > m->command_no;
    bool off = drive->mode == NT_DRIVE_MODE_OFF;
    uint8_t reason = NT_REASON_NONE;
    if (off) {
        nt_motion_off(m, drive->axis, drive->ramp);
    } else if (drive->command_no != 0 && !newer) {
        return drive->command_no == m->command_no ? m->command_reason : NT_REASON_TOO_LATE;
    } else {
        reason = nt_motion_why_not(m, drive, tick, interlocked, latched);
        if (reason == NT_REASON_NONE) {
            carry_out(m, drive);
        }
    }
    if (newer) {
        m->command_no = drive->command_no;
        m->command_reason = off ? NT_REASON_TOO_LATE : reason;
    }
    return reason;
}

void nt_motion_commands_anew(struct nt_motion_state *m)
{
    m->command_no = 0;
}

/* ---- outputs ---- */

void nt_motion_switches_anew(struct nt_motion_state *m, uint32_t seq)
{
    for (uint8_t output = 0; output < NT_OUTPUTS; output++) {
        m->switch_seq[output] = seq;
    }
}

static uint8_t work_output(struct nt_motion_state *m, const struct nt_switch *order, uint64_t tick)
{
    uint32_t bit = 1u << order->output;
    if ((m->board->features & NT_FEATURE_OUTPUTS) == 0 || (m->board->outputs & bit) == 0) {
        return NT_REASON_UNSUPPORTED;
    }
    if (order->on == 0) {
        set_output(m, order->output, false);
        return NT_REASON_NONE;
    }
    if (order->expire_ms == 0 || order->expire_ms > NT_LEASE_WINDOW_MS_MAX) {
        return NT_REASON_OUT_OF_RANGE;
    }
    if (order->output == NT_OUTPUT_BRAKE && nt_motion_moving(m)) {
        return NT_REASON_NOT_NOW;
    }
    if (order->output == NT_OUTPUT_WINDING && (m->driven & (1u << NT_AXIS_ACTUATOR)) != 0) {
        return NT_REASON_INTERLOCK;
    }
    m->output_until[order->output] = tick + ticks_of_ms(m, order->expire_ms);
    set_output(m, order->output, true);
    return NT_REASON_NONE;
}

uint8_t nt_motion_switch(struct nt_motion_state *m, const struct nt_switch *order, uint32_t seq,
                         uint64_t tick)
{
    if (order->output >= NT_OUTPUTS) {
        return NT_REASON_OUT_OF_RANGE;
    }
    uint32_t behind = m->switch_seq[order->output] - seq;
    if (behind <= UINT32_MAX / 2u) { /* a difference, because sequence numbers wrap */
        return NT_REASON_TOO_LATE;
    }
    m->switch_seq[order->output] = seq;
    return work_output(m, order, tick);
}

uint8_t nt_motion_expire(struct nt_motion_state *m, uint64_t tick)
{
    uint8_t gone = 0;
    for (uint8_t output = 0; output < NT_OUTPUTS; output++) {
        uint8_t bit = (uint8_t)(1u << output);
        if ((m->outputs & bit) != 0 && tick >= m->output_until[output]) {
            gone |= bit;
            set_output(m, output, false);
        }
    }
    return gone;
}

void nt_motion_outputs_off(struct nt_motion_state *m)
{
    for (uint8_t output = 0; output < NT_OUTPUTS; output++) {
        set_output(m, output, false);
    }
}
