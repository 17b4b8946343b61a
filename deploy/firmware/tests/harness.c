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
