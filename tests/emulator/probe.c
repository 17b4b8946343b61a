/* A program for the ATmega328P that tells what it sees at its pins, to test the emulator apart from the firmware.
 *
 * At boot it sends 'B', its boot number and MCUSR. Then each byte from the host is a question:
 * 0 to 5 the count of that converter channel (u16); 'i' port D; 'e' edges (u16) and the last one's tick (u32, 0.5 us);
 * 'p' and 'o' switch power on and off; 'v' begins servo pulses of 1.7 ms; 's' silence: hangs until the watchdog bites. */
#include <avr/eeprom.h>
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>
#include <avr/wdt.h>

enum { POWER = 1 << PD4, PULL_UPS = 7 << PD5, WIDTH = 3400, PERIOD = 40000 };

static volatile uint16_t overflows, edges;
static volatile uint32_t last;
static volatile uint8_t question, asked, high;

ISR(TIMER1_OVF_vect)
{
    overflows++;
}

ISR(TIMER1_CAPT_vect)
{
    const uint16_t at = ICR1;
    const uint16_t turns = (TIFR1 & 1 << TOV1) && at < 0x8000 ? overflows + 1 : overflows;
    last = (uint32_t)turns << 16 | at;
    edges++;
}

ISR(TIMER1_COMPA_vect)
{
    high = !high;
    TCCR1A = high ? 1 << COM1A1 : 1 << COM1A1 | 1 << COM1A0; /* what the next match does: clear, or set */
    OCR1A += high ? WIDTH : PERIOD - WIDTH;
}

ISR(USART_RX_vect)
{
    question = UDR0;
    asked = 1;
}

static void put(uint8_t byte)
{
    while (!(UCSR0A & 1 << UDRE0))
        ;
    UDR0 = byte;
}

static void put_u16(uint16_t n)
{
    put((uint8_t)n);
    put(n >> 8);
}

static uint16_t convert(uint8_t channel)
{
    ADMUX = 1 << REFS0 | channel;
    ADCSRA = 1 << ADEN | 1 << ADSC | 7;
    while (ADCSRA & 1 << ADSC)
        ;
    return ADC;
}

static void answer(uint8_t what)
{
    if (what <= 5)
        put_u16(convert(what));
    else if (what == 'i')
        put(PIND);
    else if (what == 'e') {
        put_u16(edges);
        put_u16((uint16_t)last);
        put_u16(last >> 16);
    } else if (what == 'p')
        PORTD |= POWER;
    else if (what == 'o')
        PORTD &= (uint8_t)~POWER;
    else if (what == 'v') {
        TCCR1A = 1 << COM1A1 | 1 << COM1A0;
        OCR1A = TCNT1 + 100;
        TIMSK1 |= 1 << OCIE1A;
    } else if (what == 's')
        for (;;)
            ;
}

int main(void)
{
    const uint8_t cause = MCUSR;
    MCUSR = 0;
    wdt_enable(WDTO_120MS);
    const uint8_t boot = (uint8_t)(eeprom_read_byte((uint8_t *)0) + 1);
    eeprom_write_byte((uint8_t *)0, boot);
    PORTD = PULL_UPS;
    DDRD = POWER;
    DDRB = 1 << PB1;
    UBRR0 = 7; /* 250 000 baud with U2X */
    UCSR0A = 1 << U2X0;
    UCSR0B = 1 << RXCIE0 | 1 << RXEN0 | 1 << TXEN0;
    TCCR1B = 1 << ICES1 | 1 << CS11;
    TIMSK1 = 1 << ICIE1 | 1 << TOIE1;
    put('B');
    put(boot);
    put(cause);
    set_sleep_mode(SLEEP_MODE_IDLE);
    for (;;) {
        wdt_reset();
        cli();
        const uint8_t mine = asked;
        asked = 0;
        if (mine) {
            sei();
            answer(question);
        } else {
            sleep_enable();
            sei();
            sleep_cpu();
        }
    }
}
