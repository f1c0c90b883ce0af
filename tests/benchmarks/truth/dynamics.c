/* A turning drive, a compliant coupling and a unit with LuGre friction, step by step.
 *
 * J2 w2' = k twist + c (w1 - w2) + pattern(th2) - friction(w2)
 * J1 w1' = controller + drive pattern(th1) - k twist - c (w1 - w2)
 * twist' = w1 - w2, and the transducer reads -(k twist + c (w1 - w2)).
 *
 * The twist is a state of its own: k (th1 - th2) with one angle ahead of the other would be wrong by k w h.
 * Friction after Canudas de Wit, Olsson, Astrom and Lischinsky, "A new model for control of systems with
 * friction", IEEE Transactions on Automatic Control 40(3), 1995, 419-425; its bristle is stepped exactly for
 * the speed of the step, so that no stiffness limits the step.
 */
#include <math.h>

#define TAU 6.283185307179586

struct friction {
    double stiffness, damping, coulomb, level_static, stribeck_speed, viscous;
};

struct dynamics {
    double drive_inertia, unit_inertia, stiffness, damping, gain, integral_gain, hold_torque, step_s,
        start_angle;
    struct friction friction;
};

static double level(const struct friction *f, double speed)
{
    double ratio = speed / f->stribeck_speed;
    return f->coulomb + (f->level_static - f->coulomb) * exp(-ratio * ratio);
}

/* Friction at this speed and deflection; the deflection is moved on by h seconds first. */
static double friction_step(const struct friction *f, double speed, double h, double *deflection)
{
    double g = level(f, speed), rate;
    if (speed != 0.0) {
        double settled = (speed > 0 ? g : -g) / f->stiffness;
        *deflection = settled + (*deflection - settled) * exp(-f->stiffness * fabs(speed) * h / g);
    }
    rate = speed - f->stiffness * fabs(speed) * *deflection / g;
    return f->stiffness * *deflection + f->damping * rate + f->viscous * speed;
}

static double pattern(const double *wave, long points, double angle)
{
    double place = angle * (double)points / TAU, low = floor(place), part = place - low;
    long at = (long)low & (points - 1);
    return wave[at] + part * (wave[(at + 1) & (points - 1)] - wave[at]);
}

/* Friction at a constant speed from rest, (n) values after 1, 2, ... n steps. */
void friction_from_rest(const struct friction *f, double speed, double step_s, long n, double *out)
{
    double deflection = 0.0;
    for (long i = 0; i < n; i++)
        out[i] = friction_step(f, speed, step_s, &deflection);
}

/* n samples, `substeps` steps each: commanded speed and share of the hold in; drive angle, unit angle and
 * torque out. */
void run_dynamics(const struct dynamics *d, const double *speed, const double *share, long n, long substeps,
                  const double *cogging, const double *ripple, const double *drive, long points,
                  double *drive_angle, double *unit_angle, double *torque)
{
    const double h = d->step_s;
    double th1 = d->start_angle, w1 = 0.0, w2 = 0.0, twist = 0.0, bristle = 0.0, behind = 0.0;
    for (long i = 0; i < n; i++) {
        double shaft = 0.0;
        for (long j = 0; j < substeps; j++) {
            double th2 = th1 - twist, error = speed[i] - w1, own = pattern(cogging, points, th2);
            if (share[i] > 0.0)
                own += share[i] * (d->hold_torque + pattern(ripple, points, th2));
            own -= friction_step(&d->friction, w2, h, &bristle);
            shaft = d->stiffness * twist + d->damping * (w1 - w2);
            behind += error * h;
            w1 += h / d->drive_inertia *
                  (d->gain * error + d->integral_gain * behind + pattern(drive, points, th1) - shaft);
            w2 += h / d->unit_inertia * (shaft + own);
            twist += h * (w1 - w2);
            th1 += h * w1;
        }
        drive_angle[i] = th1;
        unit_angle[i] = th1 - twist;
        torque[i] = -(d->stiffness * twist + d->damping * (w1 - w2));
    }
}
