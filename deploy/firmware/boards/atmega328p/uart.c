#include "uart.h"

#include <avr/interrupt.h>
#include <avr/io.h>
#include <util/atomic.h>

#include "board.h"

#define BAUD 250000u
#define HEARD 64u /* bytes kept until they are fetched: 2.5 ms of the line; a power of two */

/* A ring of 256, so that places wrap by themselves; one place stays empty. */
static uint8_t to_send[256];
static volatile uint8_t put, sent;

static uint8_t heard[HEARD];
static volatile uint8_t heard_in, heard_out;

void uart_start(void)
{
    UCSR0A = _BV(U2X0);
    UBRR0 = (uint16_t)(F_CPU / 8u / BAUD - 1u);
    UCSR0C = _BV(UCSZ01) | _BV(UCSZ00);
    UCSR0B = _BV(RXCIE0) | _BV(RXEN0) | _BV(TXEN0);
}

ISR(USART_RX_vect)
{
    const uint8_t byte = UDR0, in = heard_in;
    /* A byte for which there is no place is lost; its frame's check sum tells. */
    if ((uint8_t)(in - heard_out) != HEARD) {
        heard[in % HEARD] = byte;
        heard_in = (uint8_t)(in + 1);
    }
}

ISR(USART_UDRE_vect)
{
    const uint8_t at = sent;
    if (at == put) {
        UCSR0B = (uint8_t)(UCSR0B & ~_BV(UDRIE0));
        return;
    }
    UDR0 = to_send[at];
    sent = (uint8_t)(at + 1);
}

bool uart_waiting(void)
{
    return heard_in != heard_out;
}

bool uart_take(uint8_t *byte)
{
    if (!uart_waiting())
        return false;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        *byte = heard[heard_out % HEARD];
        heard_out++;
    }
    return true;
}

uint16_t board_room(void)
{
    return (uint8_t)(sent - put - 1);
}

bool board_send(const uint8_t *wire, uint8_t n)
{
    uint8_t at = put;
    if (board_room() < n)
        return false;
    while (n--)
        to_send[at++] = *wire++;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        put = at;
        UCSR0B = (uint8_t)(UCSR0B | _BV(UDRIE0));
    }
    return true;
}
