#include "line.h"

#include <avr_uart.h>
#include <string.h>

enum {
    QUEUE = 1 << 18,
    WAITING = 64, /* what libsimavr's receiver holds */
};

static avr_t *avr;
static avr_irq_t *input;
static avr_uart_t *uart;
static struct line_seen seen;

static uint8_t queue[QUEUE];
static uint32_t put, taken;
static uint8_t sent[MOST];
static uint32_t n_sent;

/* Ten bits: start, eight of data, stop. */
static avr_cycle_count_t byte_time(void)
{
    const uint32_t divider = (avr_regbit_get(avr, uart->ubrrl) | (uint32_t)avr_regbit_get(avr, uart->ubrrh) << 8) + 1u;
    return (avr_cycle_count_t)10 * divider * (avr_regbit_get(avr, uart->u2x) ? 8u : 16u);
}

static avr_cycle_count_t byte_due(avr_t *mcu, avr_cycle_count_t when, void *param)
{
    (void)mcu;
    (void)param;
    if (taken == put)
        return 0;
    avr_raise_irq(input, queue[taken++ % QUEUE]);
    seen.received++;
    const uint32_t waiting = (uint32_t)(uart->input.write - uart->input.read) % WAITING;
    seen.deepest = waiting > seen.deepest ? waiting : seen.deepest;
    return when + byte_time();
}

static void byte_out(avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq;
    (void)param;
    if (n_sent < MOST)
        sent[n_sent++] = (uint8_t)value;
    seen.sent++;
}

static avr_uart_t *find_uart(void)
{
    for (avr_io_t *io = avr->io_port; io != NULL; io = io->next)
        if (strcmp(io->kind, "uart") == 0)
            return (avr_uart_t *)io;
    return NULL;
}

void line_connect(avr_t *mcu)
{
    avr = mcu;
    uart = find_uart();
    uint32_t flags = 0; /* neither print what is sent, nor sleep when it is polled */
    avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags);
    input = avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_INPUT);
    avr_irq_t *output = avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT);
    avr_irq_register_notify(output, byte_out, NULL);
}

/* libsimavr reckons with eleven bits, and with the speed at the moment when the divider was written. */
void line_begin(void)
{
    uart->cycles_per_byte = byte_time();
}

void line_take(const uint8_t *bytes, uint16_t n)
{
    for (uint16_t k = 0; k < n && put - taken < QUEUE; k++)
        queue[put++ % QUEUE] = bytes[k];
    if (put != taken && avr_cycle_timer_status(avr, byte_due, NULL) == 0)
        avr_cycle_timer_register(avr, 1, byte_due, NULL);
}

void line_give(struct answer *answer)
{
    memcpy(answer->sent, sent, n_sent);
    answer->n_sent = (uint16_t)n_sent;
    n_sent = 0;
}

void line_after_reset(void)
{
    taken = put;
}

const struct line_seen *line_seen(void)
{
    return &seen;
}
