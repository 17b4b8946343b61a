/* The serial line: 250 000 baud, 8N1, which 16 MHz give exactly. */
#ifndef UART_H
#define UART_H

#include <stdbool.h>
#include <stdint.h>

void uart_start(void);

/* The oldest byte from the host not yet fetched; false if there is none. */
bool uart_take(uint8_t *byte);

/* Whether one waits. */
bool uart_waiting(void);

#endif
