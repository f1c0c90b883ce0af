/* The device half as a Linux process: the core and the bench plant behind a pty.
 *
 * One thread. Each turn takes the samples that are due, hands over what came, lets run out what runs out, and
 * sends; then it sleeps for at most a millisecond. Samples carry their nominal ticks, so a turn that comes
 * late loses none. */
#include <errno.h>
#include <inttypes.h>
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <sys/random.h>
#include <time.h>
#include <unistd.h>

#include "commands.h"
#include "line.h"
#include "noinit.h"
#include "nt_crc32c.h"
#include "options.h"
#include "recording.h"
#include "truth.h"

#ifndef NT_NATIVE_BUILD
#define NT_NATIVE_BUILD "native"
#endif

#define EXIT_WRONG 2
#define TURN_NS 1000000
#define TURN_SAMPLES                                                                                         \
    256u /* then the line has its turn, also when a stopped process has many to make up for */
#define RATES_MAX 32u
#define SECOND_NS 1000000000

/* The crash that SIGUSR2 leaves behind; made up, so that a test can tell it from any other. */
#define CRASH_PC 0x00C0FFEEu
#define CRASH_LR 0x00C0DE01u
#define CRASH_CAUSE 7u

struct native {
    struct nt_options options;
    struct nt_board board;
    struct nt_port port;
    struct nt_plant plant;
    struct nt_device device;
    struct nt_boot boot;
    struct nt_noinit noinit;
    struct nt_clock clock;
    struct nt_pty pty;
    struct nt_line line;
    struct nt_truth truth;
    struct nt_commands commands;
    struct nt_recording recording;
    int64_t load_ns;     /* when the load was last measured */
    int64_t load_cpu_ns; /* and what had been used by then */
    uint32_t rates_hz[RATES_MAX];
};

static struct native native; /* nothing is allocated, as on a board */

static volatile sig_atomic_t ending;
static volatile sig_atomic_t watchdog;
static volatile sig_atomic_t crash;

static void on_signal(int number)
{
    if (number == SIGUSR1) {
        watchdog = 1;
    } else if (number == SIGUSR2) {
        crash = 1;
    } else {
        ending = 1;
    }
}

/* ---- start ---- */

static void prepare_board(struct native *n)
{
    uint32_t count = 0;
    n->rates_hz[count++] = n->options.rate_hz; /* the first is the one at power-on */
    for (uint32_t i = 0; i < nt_plant_board.rates && count < RATES_MAX; i++) {
        if (nt_plant_board.rates_hz[i] != n->options.rate_hz) {
            n->rates_hz[count++] = nt_plant_board.rates_hz[i];
        }
    }
    n->board = nt_plant_board;
    n->board.rates_hz = n->rates_hz;
    n->board.serial = n->options.serial;
    n->board.build = NT_NATIVE_BUILD;
}

/* CRC-32C of this program as it stands on the disk: what the flash is to a board. */
static uint32_t image_crc(void)
{
    uint8_t bytes[4096];
    uint32_t crc = 0;
    FILE *image = fopen("/proc/self/exe", "rb");
    if (image == NULL) {
        return 0;
    }
    for (size_t n = fread(bytes, 1, sizeof bytes, image); n != 0; n = fread(bytes, 1, sizeof bytes, image)) {
        crc = nt_crc32c(crc, bytes, n);
    }
    fclose(image);
    return crc;
}

static uint32_t config_hash(void)
{
    uint8_t sizes[12];
    nt_put_u32(sizes, NT_RING_BYTES);
    nt_put_u32(sizes + 4, NT_RING_BLOCKS_MAX);
    nt_put_u32(sizes + 8, NT_RX_BYTES);
    return nt_crc32c(0, sizes, sizeof sizes);
}

static uint32_t entropy(const struct nt_options *options)
{
    uint32_t drawn = options->entropy;
    if (!options->entropy_given && getrandom(&drawn, sizeof drawn, 0) != (ssize_t)sizeof drawn) {
        drawn = (uint32_t)nt_monotonic_ns();
    }
    return drawn;
}

/* What start-up code does after a reset of whatever cause; the plant has been started. */
static void start(struct native *n, uint8_t cause)
{
    nt_keep_boot(n->noinit.keep, cause, entropy(&n->options), &n->boot);
    n->clock.start_ns = nt_monotonic_ns();
    nt_line_reset(&n->line);
    nt_device_init(&n->device, &n->board, &n->port, &n->boot, 0);
    nt_truth_begin(&n->truth, &n->boot);
}

static bool prepare(struct native *n)
{
    const struct nt_options *o = &n->options;
    prepare_board(n);
    if (!nt_noinit_open(&n->noinit, o->keep) || !nt_truth_open(&n->truth, o->truth, o->log_samples) ||
        (o->recording != NULL && !nt_recording_read(&n->recording, o->recording)) ||
        !nt_pty_open(&n->pty, o->link)) {
        return false;
    }
    n->clock.drift_ppb = o->drift_ppb;
    nt_line_init(&n->line, &n->pty, o->baud);
    nt_plant_init(&n->plant, o->seed, o->rate_hz);
    nt_plant_port(&n->plant, &n->port);
    n->boot.flash_crc = image_crc();
    n->boot.config_hash = config_hash();
    n->boot.self_test = nt_self_test(&n->board);
    start(n, n->noinit.survived ? NT_RESET_CAUSE_PIN : NT_RESET_CAUSE_UNKNOWN);
    return true;
}

/* ---- running ---- */

static void reset(struct native *n)
{
    if (!nt_truth_has_room(&n->truth)) {
        fprintf(stderr, "nightturn-native: %u boots are enough\n", NT_TRUTH_BOOTS_MAX);
        ending = 1;
        return;
    }
    nt_truth_follow(&n->truth, &n->device);
    nt_plant_restart(&n->plant, n->options.rate_hz);
    if (crash) { /* what the fault handler of a board does */
        nt_keep_fault(n->noinit.keep, NT_RESET_CAUSE_FAULT, CRASH_PC, CRASH_LR, CRASH_CAUSE);
    }
    start(n, crash ? NT_RESET_CAUSE_SOFTWARE : NT_RESET_CAUSE_WATCHDOG);
    crash = 0;
    watchdog = 0;
}

static void overlay_recording(struct native *n, struct nt_sample *sample)
{
    struct nt_sample recorded = *sample;
    nt_recording_play(&n->recording, &recorded);
    if ((n->plant.faults & (NT_PLANT_BRIDGE_OPEN | NT_PLANT_SATURATED)) == 0) {
        sample->torque = recorded.torque;
    }
    if ((n->plant.faults & NT_PLANT_ENCODER_BLIND) == 0) {
        sample->encoder = recorded.encoder;
    }
}

/* Takes the samples that are due; whether more are. */
static bool take_samples(struct native *n)
{
    struct nt_sample sample;
    uint64_t now = nt_clock_tick(&n->clock, nt_monotonic_ns());
    for (uint32_t i = 0; i < TURN_SAMPLES; i++) {
        if (!nt_device_sample_due(&n->device, now, &sample.tick)) {
            return false;
        }
        nt_plant_sample(&n->plant, &sample);
        if (n->recording.count != 0) {
            overlay_recording(n, &sample);
        }
        nt_device_sample(&n->device, &sample);
        nt_truth_sample(&n->truth, &n->device, &sample);
        nt_plant_set_ready(&n->plant, !nt_device_motion_forbidden(&n->device));
    }
    return true;
}

static void measure_load(struct native *n)
{
    struct timespec used;
    int64_t now_ns = nt_monotonic_ns();
    if (now_ns - n->load_ns < SECOND_NS) {
        return;
    }
    clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &used);
    int64_t cpu_ns = (int64_t)used.tv_sec * SECOND_NS + used.tv_nsec;
    int64_t percent = 100 * (cpu_ns - n->load_cpu_ns) / (now_ns - n->load_ns);
    nt_device_note_cpu(&n->device, (uint8_t)(percent < 100 ? percent : 100));
    n->load_ns = now_ns;
    n->load_cpu_ns = cpu_ns;
}

/* Sleeps until something comes, a millisecond has passed or a signal wants something. */
static void sleep_a_turn(struct native *n, bool more_due, const sigset_t *awake)
{
    struct pollfd ends[2] = {
        {.fd = n->pty.master, .events = POLLIN},
        {.fd = n->commands.ended ? -1 : STDIN_FILENO, .events = POLLIN},
    };
    struct timespec most = {.tv_nsec = more_due ? 0 : TURN_NS};
    int ready = ppoll(ends, 2, &most, awake);
    if (ready > 0 && ends[1].revents != 0) {
        nt_commands_read(&n->commands, &n->plant, &n->device);
    }
}

static void run(struct native *n, const sigset_t *awake)
{
    while (!ending) {
        bool more_due = take_samples(n);
        nt_device_poll(&n->device, nt_clock_tick(&n->clock, nt_monotonic_ns()));
        nt_line_receive(&n->line, &n->device, &n->clock);
        nt_line_transmit(&n->line, &n->device, &n->clock);
        nt_truth_follow(&n->truth, &n->device);
        measure_load(n);
        sleep_a_turn(n, more_due, awake);
        if (watchdog || crash) {
            reset(n);
        }
    }
}

/* Signals come while the process sleeps and at no other moment. */
static void listen(sigset_t *awake)
{
    static const int wanted[] = {SIGTERM, SIGINT, SIGUSR1, SIGUSR2};
    struct sigaction action = {.sa_handler = on_signal};
    sigset_t blocked;
    sigemptyset(&blocked);
    for (size_t i = 0; i < sizeof wanted / sizeof wanted[0]; i++) {
        sigaddset(&blocked, wanted[i]);
        sigaction(wanted[i], &action, NULL);
    }
    sigprocmask(SIG_BLOCK, &blocked, awake);
    for (size_t i = 0; i < sizeof wanted / sizeof wanted[0]; i++) {
        sigdelset(awake, wanted[i]);
    }
}

int main(int argc, char **argv)
{
    sigset_t awake;
    switch (nt_options_read(&native.options, &nt_plant_board, argc, argv)) {
    case NT_OPTIONS_HELPED:
        return 0;
    case NT_OPTIONS_WRONG:
        return EXIT_WRONG;
    default:
        break;
    }
    listen(&awake);
    if (!prepare(&native)) {
        return EXIT_WRONG;
    }
    printf("%s\n", native.pty.link);
    fflush(stdout);
    run(&native, &awake);
    nt_pty_close(&native.pty);
    return nt_truth_close(&native.truth) ? 0 : 1;
}
