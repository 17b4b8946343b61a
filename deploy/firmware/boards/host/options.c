#include "options.h"

#include <getopt.h>
#include <stdio.h>
#include <stdlib.h>

#include "link.h"

#define TOP_BITS 14u

static const char usage[] =
    "steadyhead-firmware: the stand's firmware as a program. It is fed over standard input by a simulator, or stands at\n"
    "a pseudo-terminal of its own (--pty) with constant levels at its pins.\n"
    "  --pty                              print the terminal's name, run in wall time\n"
    "  --boot N                           number of the first boot (1)\n"
    "  --tick N, --edges N                where ticks and edges begin at every boot (0)\n"
    "  --baud N                           bits a second of its line (250000); 0: bytes take no time\n"
    "  --features N, --inputs N           flags and inputs_fitted of IDENTITY\n"
    "  --channel ROLE:BITS:ZERO:VOLTS     an analog channel: volts a count, negative for an inverting amplifier;\n"
    "                                     the first one takes the place of all built-in ones\n";

/* The depot's converter: 12 bits over 5 V, an amplifier on the shunt that lifts 0 A by 0.05 V. */
static const struct design depot = {
    .flags = SIMULATED | POWER_SWITCH | VALVE_ACTUATOR,
    .device_id = {0x4D, 0x48, 0x30, 0x30, 0x66, 0x77, 0x00, 0x02},
    .firmware = {1, 0, 0},
    .inputs_fitted = STOP_CIRCUIT | SPLASH_GUARD | FLUID_LEVEL,
    .n_analog = 6,
    .n_pulse = 1,
    .sample_hz = 500,
    .tick_hz = 1000000,
    .burst_max_hz = 20000,
    .burst_max_total = 4000,
    .valve_travel_ms = 2000,
    .analog =
        {
            {ROLE_PRESSURE, 12, 0, 5.0f / 4096.0f},
            {ROLE_VOLTAGE, 12, 0, 5.0f / 4096.0f},
            {ROLE_SHUNT, 12, 41, 5.0f / 4096.0f},
            {ROLE_TEMPERATURE, 12, 0, 5.0f / 4096.0f},
            {ROLE_LEVEL, 12, 0, 5.0f / 4096.0f},
            {ROLE_SHUNT_WIDE, 12, 41, 5.0f / 4096.0f},
        },
    .pulse = {PULSE_FLOW},
};

static _Noreturn void refuse(const char *option, const char *found, const char *expected)
{
    fprintf(stderr, "--%s: found '%s', expected %s.\n%s", option, found, expected, usage);
    exit(64);
}

static uint32_t number(const char *option, const char *text, uint32_t most)
{
    char *end;
    const unsigned long long value = strtoull(text, &end, 0);
    if (end == text || *end || *text == '-' || value > most) {
        char expected[48];
        snprintf(expected, sizeof expected, "a number from 0 to %lu", (unsigned long)most);
        refuse(option, text, expected);
    }
    return (uint32_t)value;
}

/* A whole number of a channel's, and the colon behind it. */
static bool take_whole(const char **text, long least, long most, long *value)
{
    char *end;
    *value = strtol(*text, &end, 10);
    const bool good = end != *text && *end == ':' && *value >= least && *value <= most;
    *text = end + good;
    return good;
}

static void add_channel(struct design *design, const char *text)
{
    const char *rest = text;
    char *end = NULL;
    long role, bits, zero;
    if (design->n_analog == N_ANALOG)
        refuse("channel", text, "at most 8 of them");
    if (!take_whole(&rest, 0, UINT8_MAX, &role) || !take_whole(&rest, 1, TOP_BITS, &bits) ||
        !take_whole(&rest, INT16_MIN, INT16_MAX, &zero))
        refuse("channel", text, "ROLE:BITS:ZERO:VOLTS with 1 to 14 bits");
    const float step = strtof(rest, &end);
    if (end == rest || *end || !(step > -1e3f && step < 1e3f))
        refuse("channel", text, "ROLE:BITS:ZERO:VOLTS with a number of volts");
    design->analog[design->n_analog++] = (struct channel){(uint8_t)role, (uint8_t)bits, (int16_t)zero, step};
}

void options_read(struct options *options, int argc, char **argv)
{
    static const struct option known[] = {
        {"pty", no_argument, NULL, 'p'},          {"boot", required_argument, NULL, 'b'},
        {"tick", required_argument, NULL, 't'},   {"edges", required_argument, NULL, 'e'},
        {"baud", required_argument, NULL, 'r'},   {"features", required_argument, NULL, 'f'},
        {"inputs", required_argument, NULL, 'i'}, {"channel", required_argument, NULL, 'c'},
        {"help", no_argument, NULL, 'h'},         {NULL, 0, NULL, 0},
    };
    bool first = true;
    int option;
    *options = (struct options){.setting = {.design = depot, .boot = 1, .baud = 250000}};
    struct setting *s = &options->setting;
    while ((option = getopt_long(argc, argv, "", known, NULL)) != -1) {
        switch (option) {
        case 'p':
            options->pty = true;
            break;
        case 'b':
            s->boot = (uint16_t)number("boot", optarg, UINT16_MAX);
            break;
        case 't':
            s->first_tick = number("tick", optarg, UINT32_MAX);
            break;
        case 'e':
            s->first_edges = number("edges", optarg, UINT32_MAX);
            break;
        case 'r':
            s->baud = number("baud", optarg, 10000000);
            break;
        case 'f':
            s->design.flags = (uint8_t)number("features", optarg, UINT8_MAX);
            break;
        case 'i':
            s->design.inputs_fitted = (uint8_t)number("inputs", optarg, 7);
            break;
        case 'c':
            if (first)
                s->design.n_analog = 0;
            add_channel(&s->design, optarg);
            first = false;
            break;
        case 'h':
            fputs(usage, stdout);
            exit(0);
        default:
            fputs(usage, stderr);
            exit(64);
        }
    }
    if (optind < argc)
        refuse("help", argv[optind], "no argument without an option");
}
