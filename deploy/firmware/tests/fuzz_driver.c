/* Random deeds for the fuzz target where there is no libFuzzer: the same ones at every run. */
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static uint32_t state;

/* Xorshift, G. Marsaglia, Journal of Statistical Software 8(14), 2003. */
static uint32_t random_number(void)
{
    state ^= state << 13;
    state ^= state >> 17;
    state ^= state << 5;
    return state;
}

int main(int argc, char **argv)
{
    static uint8_t data[4096];
    const unsigned long runs = argc > 1 ? strtoul(argv[1], NULL, 10) : 1000;
    state = 2463534242u;
    for (unsigned long run = 0; run < runs; run++) {
        const size_t size = random_number() % sizeof data;
        for (size_t k = 0; k < size; k++)
            data[k] = (uint8_t)(random_number() >> 8);
        LLVMFuzzerTestOneInput(data, size);
    }
    printf("%lu runs\n", runs);
    return 0;
}
