/* Every number of the wire that has a name (PROTOCOL.md, sections 3, 4, 5, 9 and 10).
 *
 * A test compares this file with the tables of that page. Nothing else may live here. Plain numbers
 * and not enumerations: on the wire and in memory each of them is one byte.
 */
#ifndef CW_CATALOGUE_H
#define CW_CATALOGUE_H

/* message type */
#define TYPE_HELLO 0x01U
#define TYPE_LIMITS 0x02U
#define TYPE_ARM 0x03U
#define TYPE_VOICES 0x04U
#define TYPE_DISARM 0x05U
#define TYPE_STOP 0x06U
#define TYPE_RESET 0x07U
#define TYPE_PING 0x08U
#define TYPE_IDENTITY 0x41U
#define TYPE_STATUS 0x42U
#define TYPE_PONG 0x43U
#define TYPE_REFUSAL 0x44U
#define TYPE_LIMITS_SET 0x45U
#define TYPE_ARMED 0x46U

/* state */
#define STATE_LOCKED 0U
#define STATE_ARMED 1U
#define STATE_TRIPPED 2U
#define STATE_WARNING 3U

/* cause */
#define CAUSE_NONE 0U
#define CAUSE_ESTOP_OPEN 1U
#define CAUSE_ESTOP_DISAGREE 2U
#define CAUSE_KEY_OFF 3U
#define CAUSE_LOCAL_STOP 4U
#define CAUSE_HOST_STOP 5U
#define CAUSE_LINE_BREAK 6U
#define CAUSE_LEASE_EXPIRED 7U
#define CAUSE_WRONG_SESSION 8U
#define CAUSE_SETUP_WHILE_ARMED 9U
#define CAUSE_GUARD_REFUSALS 10U
#define CAUSE_PIN_MISMATCH 11U
#define CAUSE_WATCHDOG_RESET 12U
#define CAUSE_BROWN_OUT 13U
#define CAUSE_RESET_WHILE_ARMED 14U
#define CAUSE_NOT_READY 15U
#define CAUSE_INTERNAL_FAULT 16U

/* reason */
#define REASON_NONE 0U /* obeyed */
#define REASON_UNKNOWN_TYPE 1U
#define REASON_WRONG_LENGTH 2U
#define REASON_WRONG_VERSION 3U
#define REASON_NOT_LOCKED 4U
#define REASON_NO_SUCH_OUTPUT 5U
#define REASON_ABOVE_CEILING 6U
#define REASON_WOULD_LOOSEN 7U
#define REASON_BAD_LIMITS 8U
#define REASON_BAD_NONCE 9U
#define REASON_WRONG_DIGEST 10U
#define REASON_IS_TRIPPED 11U
#define REASON_ESTOP_IS_OPEN 12U
#define REASON_ESTOP_UNPROVEN 13U
#define REASON_KEY_IS_OFF 14U
#define REASON_LOCAL_STOP_PRESSED 15U
#define REASON_BOARD_CHECK_FAILED 16U
#define REASON_NO_LIMITS 17U
#define REASON_OUTPUT_NOT_READY 18U
#define REASON_NOT_ARMED 19U
#define REASON_WRONG_SESSION 20U /* a wrong session is a trip; the number is kept */
#define REASON_BAD_EXPIRY 21U
#define REASON_TOO_FAR_AHEAD 22U
#define REASON_TOO_LATE 23U
#define REASON_QUEUE_FULL 24U
#define REASON_BAD_SLOT 25U
#define REASON_NOT_TRIPPED 26U
#define REASON_WRONG_TRIP 27U
#define REASON_CAUSE_REMAINS 28U

/* guard reason */
#define GUARD_NONE 0U
#define GUARD_ON_TIME 1U
#define GUARD_OFF_TIME 2U
#define GUARD_RATE 3U
#define GUARD_DUTY_1S 4U
#define GUARD_DUTY_SECOND 5U
#define GUARD_DUTY_THIRD 6U
#define REASONS_OF_GUARD 6U /* from 1 on */

/* reset cause */
#define RESET_POWER_ON 0U
#define RESET_EXTERNAL 1U
#define RESET_WATCHDOG 2U
#define RESET_BROWN_OUT 3U

/* input bit */
#define INPUT_ESTOP_A 0x01U
#define INPUT_ESTOP_B 0x02U
#define INPUT_KEY 0x04U
#define INPUT_LOCAL_STOP 0x08U
#define INPUT_READY_0 0x10U /* of outputs 0 to 3: bits 4 to 7 */

/* check bit */
#define CHECK_FUSES 0x01U
#define CHECK_FLASH 0x02U
#define CHECKS_ALL 0x03U

/* voices flag */
#define FLAG_IMMEDIATE 0x01U
#define FLAG_FORGET_LATER 0x02U

/* ping flag */
#define PING_WANTS_NONCE 0x01U

#endif
