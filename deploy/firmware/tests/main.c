#include "harness.h"

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
