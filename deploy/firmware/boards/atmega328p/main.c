#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>
#include <avr/wdt.h>

#include "clock.h"
#include "converter.h"
#include "device.h"
#include "pins.h"
#include "store.h"
#include "uart.h"

static struct design design = {
    .flags = FEATURES,
    .device_id = DEVICE_ID,
    .firmware = {1, 0, 0},
    .inputs_fitted = INPUTS_FITTED,
    .n_analog = N_ANALOG,
    .n_pulse = N_PULSE,
    .sample_hz = SAMPLE_HZ,
    .tick_hz = TICK_HZ,
    .burst_max_hz = BURST_MAX_HZ,
    .burst_max_total = BURST_MAX_TOTAL,
    .valve_travel_ms = VALVE_TRAVEL_MS,
    .analog = ANALOG,
    .pulse = {PULSE_FLOW},
};

static struct device device;
static uint8_t cause __attribute__((section(".noinit"))); /* of the reset, as the microcontroller noted it */

/* Runs before main: the watchdog stays on behind a reset of its own, and would come again before main is through. */
__attribute__((naked, used, section(".init3"))) static void note_cause(void)
{
    cause = MCUSR;
    MCUSR = 0;
    wdt_disable();
}

/* Waits for the next interrupt. One that came since the last look is not slept over: interrupts are let in with the
 * instruction before the sleep, and none is served between the two. */
static void rest(void)
{
    cli();
    if (!uart_waiting() && !converter_waiting()) {
        sleep_enable(); /* idle, the deepest in which all that is used here goes on */
        sei();
        sleep_cpu();
        sleep_disable();
    }
    sei();
}

static void serve(void)
{
    struct scan scan;
    uint8_t byte;
    while (uart_take(&byte))
        device_byte(&device, byte);
    while (converter_take(&scan)) {
        device_scan(&device, &scan);
        wdt_reset(); /* only here: a converter, a timer or a loop that hangs resets, and power falls with the pin */
    }
    if (converter_beat())
        device_look(&device);
}

int main(void)
{
    pins_start();
    store_id(design.device_id);
    const uint16_t boot = store_boot();
    uart_start();
    converter_start();
    clock_start();
    wdt_enable(WDTO_120MS);
    sei();
    device_start(&device, &design, boot, cause & 0x0F);
    for (;;) {
        serve();
        rest();
    }
}
