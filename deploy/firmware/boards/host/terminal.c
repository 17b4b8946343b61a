#include "terminal.h"

#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#include "link.h"
#include "machine.h"

#define STEP_NS 2000000u
#define FLOW_EDGES_HZ 100u
#define MOST_HEARD 256

static uint64_t wall(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (uint64_t)t.tv_sec * 1000000000u + (uint64_t)t.tv_nsec;
}

/* The terminal's near end. Its far end is held open too, raw, so that programs may come and go. */
static int open_terminal(void)
{
    struct termios raw;
    const int near = posix_openpt(O_RDWR | O_NOCTTY);
    if (near < 0 || grantpt(near) || unlockpt(near))
        return -1;
    const int far = open(ptsname(near), O_RDWR | O_NOCTTY);
    if (far < 0 || tcgetattr(far, &raw))
        return -1;
    raw.c_iflag &= ~(tcflag_t)(BRKINT | ICRNL | INLCR | IGNCR | ISTRIP | IXON);
    raw.c_oflag &= ~(tcflag_t)OPOST;
    raw.c_lflag &= ~(tcflag_t)(ECHO | ICANON | IEXTEN | ISIG);
    if (tcsetattr(far, TCSANOW, &raw) || fcntl(near, F_SETFL, O_NONBLOCK))
        return -1;
    return near;
}

static float constant(uint8_t role, bool power)
{
    switch (role) {
    case ROLE_PRESSURE:
        return 0.5f; /* 0 kPa of the depot's transducer */
    case ROLE_VOLTAGE:
        return 2.7f; /* 13.5 V */
    case ROLE_SHUNT:
    case ROLE_SHUNT_WIDE:
        return power ? 1.05f : 0.05f; /* 5 A, or none */
    case ROLE_TEMPERATURE:
        return 0.73f; /* 23 degC */
    case ROLE_LEVEL:
        return 4.0f;
    default:
        return 0.0f;
    }
}

static void set_levels(struct span *span, const struct setting *setting)
{
    for (uint8_t k = 0; k < setting->design.n_analog; k++)
        span->volts[k] = constant(setting->design.analog[k].role, outcome.power);
}

/* Sends what the far end takes; the rest holds the machine's line up until there is room. */
static void send_on(int terminal)
{
    const ssize_t sent = outcome.n_out ? write(terminal, outcome.out, outcome.n_out) : 0;
    if (sent > 0) {
        outcome.n_out -= (size_t)sent;
        memmove(outcome.out, outcome.out + sent, outcome.n_out);
    }
}

static void serve(int terminal, const struct setting *setting)
{
    static struct span span;
    uint8_t heard[MOST_HEARD];
    const uint32_t edge = 0;
    uint64_t spans = 0;
    const uint64_t start = wall();
    span.ns = STEP_NS;
    span.inputs = STOP_CIRCUIT | SPLASH_GUARD | FLUID_LEVEL;
    span.rx = heard;
    span.edges = &edge;
    for (;;) {
        const ssize_t n = read(terminal, heard, sizeof heard);
        span.n_rx = n > 0 ? (uint16_t)n : 0;
        set_levels(&span, setting);
        span.n_edges = outcome.power && spans % (1000000000u / STEP_NS / FLOW_EDGES_HZ) == 0;
        machine_run(&span);
        send_on(terminal);
        const uint64_t due = start + ++spans * STEP_NS, now = wall();
        if (due > now) {
            const struct timespec rest = {0, (long)(due - now)};
            nanosleep(&rest, NULL);
        }
    }
}

int terminal_serve(const struct setting *setting)
{
    const int terminal = open_terminal();
    if (terminal < 0) {
        perror("pseudo-terminal: none to be had");
        return 1;
    }
    outcome.room = 4096;
    printf("%s\n", ptsname(terminal));
    fflush(stdout);
    serve(terminal, setting);
    return 0;
}
