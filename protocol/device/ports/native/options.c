#include "options.h"

#include <errno.h>
#include <getopt.h>
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>

#define BAUD_MIN 1200u
#define BAUD_MAX 20000000u

static const char help[] =
    "usage: nightturn-native --link PATH [options]\n"
    "\n"
    "The nightturn device as a process: the firmware's core with a bench plant of numbers, on a pty behind a "
    "link.\n"
    "Its motion lease, outputs and trips are no safety function.\n"
    "\n"
    "  --link PATH         link to the pty; printed on stdout when the device is ready, removed at the end\n"
    "  --rate HZ           sampling rate at power-on (1000)\n"
    "  --seed N            which unit and which noise (1)\n"
    "  --drift-ppm X       how much faster than the host's clock the device's runs, -1000 to 1000 (0)\n"
    "  --serial TEXT       serial number of the board, at most 16 characters (PLANT-1)\n"
    "  --baud N            carry bytes no faster than a UART of this rate, 10 bits a byte (0: at once)\n"
    "  --recording FILE    samples from a CSV with the columns torque_raw,encoder in place of the plant's; "
    "after the\n"
    "                      last one it begins again and the encoder goes on. From a run of the host:\n"
    "                      run.samples(columns=[\"torque_raw\", \"encoder\"]).to_csv(FILE, index=False)\n"
    "  --keep FILE         memory that a reset does not clear. A second start with the same file is a reset "
    "by pin\n"
    "  --boot-entropy N    fixed instead of drawn by chance, so that boot ids can be foretold\n"
    "  --truth FILE        at the end, JSON of what each boot produced; the CRC-32C is over all samples, "
    "each as\n"
    "                      index u64, torque i32, encoder i64, little-endian\n"
    "  --log-samples FILE  those bytes themselves; a boot begins with index 2^64-1, torque 0 and the boot id "
    "in place\n"
    "                      of the encoder\n"
    "\n"
    "Signals: TERM or INT ends with code 0; USR1 is a reset by the watchdog, USR2 a crash that is recorded.\n"
    "\n"
    "Lines on stdin, each answered on stdout by `ok ...` or `error ...`:\n"
    "  guard open|closed   chain open|healthy   drive failed|healthy   bridge open|whole   adc "
    "saturated|free\n"
    "  encoder blind|seeing   winding hot|unknown|cool   state\n";

/* ---- values ---- */

static bool wrong(const char *option, const char *text, const char *allowed)
{
    fprintf(stderr, "nightturn-native: %s %s: %s\n", option, text, allowed);
    return false;
}

static bool whole_number(const char *option, const char *text, uint32_t least, uint32_t most, uint32_t *value)
{
    char *end = NULL;
    errno = 0;
    unsigned long long read = strtoull(text, &end, 10);
    bool digits = *text >= '0' && *text <= '9' && *end == '\0';
    if (!digits || errno != 0 || read < least || read > most) {
        char allowed[64];
        snprintf(allowed, sizeof allowed, "give a whole number from %" PRIu32 " to %" PRIu32, least, most);
        return wrong(option, text, allowed);
    }
    *value = (uint32_t)read;
    return true;
}

static bool drift(struct nt_options *o, const char *text)
{
    char *end = NULL;
    double ppm = strtod(text, &end);
    if (end == text || *end != '\0' || !(ppm >= -NT_DRIFT_PPM_MAX && ppm <= NT_DRIFT_PPM_MAX)) {
        return wrong("--drift-ppm", text, "give a number from -1000 to 1000");
    }
    o->drift_ppb = (int64_t)(ppm * 1000.0);
    return true;
}

static bool rate(struct nt_options *o, const struct nt_board *board, const char *text)
{
    char allowed[160] = "this board has";
    size_t used = strlen(allowed);
    for (uint32_t i = 0; i < board->rates; i++) {
        used += (size_t)snprintf(allowed + used, sizeof allowed - used, " %" PRIu32, board->rates_hz[i]);
    }
    char *end = NULL;
    unsigned long read = strtoul(text, &end, 10);
    for (uint32_t i = 0; i < board->rates; i++) {
        if (*end == '\0' && read == board->rates_hz[i]) {
            o->rate_hz = board->rates_hz[i];
            return true;
        }
    }
    return wrong("--rate", text, allowed);
}

static bool baud(struct nt_options *o, const char *text)
{
    if (strcmp(text, "0") == 0) {
        o->baud = 0;
        return true;
    }
    return whole_number("--baud", text, BAUD_MIN, BAUD_MAX, &o->baud);
}

static bool serial(struct nt_options *o, const char *text)
{
    size_t n = strlen(text);
    for (size_t i = 0; i < n; i++) {
        if (text[i] < '!' || text[i] > '~') {
            n = 0;
        }
    }
    if (n == 0 || n > NT_SERIAL_CHARS_MAX) {
        return wrong("--serial", text, "give 1 to 16 printable ASCII characters without spaces");
    }
    o->serial = text;
    return true;
}

/* ---- the line ---- */

enum { LINK = 1, RATE, SEED, DRIFT, SERIAL, BAUD, RECORDING, KEEP, ENTROPY, TRUTH, LOG_SAMPLES, HELP };

static const struct option known[] = {
    {"link", required_argument, NULL, LINK},
    {"rate", required_argument, NULL, RATE},
    {"seed", required_argument, NULL, SEED},
    {"drift-ppm", required_argument, NULL, DRIFT},
    {"serial", required_argument, NULL, SERIAL},
    {"baud", required_argument, NULL, BAUD},
    {"recording", required_argument, NULL, RECORDING},
    {"keep", required_argument, NULL, KEEP},
    {"boot-entropy", required_argument, NULL, ENTROPY},
    {"truth", required_argument, NULL, TRUTH},
    {"log-samples", required_argument, NULL, LOG_SAMPLES},
    {"help", no_argument, NULL, HELP},
    {NULL, 0, NULL, 0},
};

static bool take(struct nt_options *o, const struct nt_board *board, int which, const char *text)
{
    switch (which) {
    case LINK:
        o->link = text;
        return true;
    case RATE:
        return rate(o, board, text);
    case SEED:
        return whole_number("--seed", text, 0, UINT32_MAX, &o->seed);
    case DRIFT:
        return drift(o, text);
    case SERIAL:
        return serial(o, text);
    case BAUD:
        return baud(o, text);
    case RECORDING:
        o->recording = text;
        return true;
    case KEEP:
        o->keep = text;
        return true;
    case ENTROPY:
        o->entropy_given = true;
        return whole_number("--boot-entropy", text, 0, UINT32_MAX, &o->entropy);
    case TRUTH:
        o->truth = text;
        return true;
    case LOG_SAMPLES:
        o->log_samples = text;
        return true;
    default: /* getopt_long has said what it does not know */
        fprintf(stderr, "nightturn-native: --help lists the options\n");
        return false;
    }
}

enum nt_options_result nt_options_read(struct nt_options *o, const struct nt_board *board, int argc,
                                       char **argv)
{
    *o = (struct nt_options){.serial = board->serial, .rate_hz = board->rates_hz[0], .seed = 1};
    for (int which = getopt_long(argc, argv, "", known, NULL); which != -1;
         which = getopt_long(argc, argv, "", known, NULL)) {
        if (which == HELP) {
            fputs(help, stdout);
            return NT_OPTIONS_HELPED;
        }
        if (!take(o, board, which, optarg)) {
            return NT_OPTIONS_WRONG;
        }
    }
    if (optind < argc) {
        wrong("argument", argv[optind], "every argument has a name; --help lists them");
        return NT_OPTIONS_WRONG;
    }
    if (o->link == NULL) {
        fprintf(stderr, "nightturn-native: --link PATH is missing: where is the host to find the device?\n");
        return NT_OPTIONS_WRONG;
    }
    return NT_OPTIONS_RUN;
}
