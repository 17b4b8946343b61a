#include "harness.h"

#include <stdio.h>

static unsigned checks, failed;

void check(bool held, const char *file, int line, const char *what)
{
    checks++;
    if (!held) {
        failed++;
        printf("%s:%d: does not hold: %s\n", file, line, what);
    }
}

void check_equal(int64_t found, int64_t expected, const char *file, int line, const char *what)
{
    checks++;
    if (found != expected) {
        failed++;
        printf("%s:%d: %s: expected %lld, found %lld\n", file, line, what, (long long)expected, (long long)found);
    }
}

int checks_end(void)
{
    printf("%u checks, %u failed\n", checks, failed);
    return failed != 0;
}

const struct design two_channels = {
    .flags = SIMULATED,
    .device_id = {0x11, 0x22, 0x33, 0x44, 0x55, 0x66, 0x77, 0x88},
    .firmware = {1, 2, 3},
    .inputs_fitted = 7,
    .n_analog = 2,
    .n_pulse = 1,
    .sample_hz = 500,
    .tick_hz = 1000000,
    .burst_max_hz = 20000,
    .burst_max_total = 1024,
    .analog = {{ROLE_PRESSURE, 12, 0, 5.0f / 4096.0f}, {ROLE_SHUNT, 12, -8, -5.0f / 4096.0f}},
    .pulse = {PULSE_FLOW},
};

const struct design bench = {
    .flags = SIMULATED | POWER_SWITCH | VALVE_ACTUATOR,
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

int main(void)
{
    test_wire();
    test_deframer();
    test_limits();
    test_guard();
    test_gather();
    test_pulses();
    test_capture();
    test_device();
    test_requests();
    return checks_end();
}
