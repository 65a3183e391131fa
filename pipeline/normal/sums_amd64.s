#include "textflag.h"

DATA negate<>+0(SB)/8, $0
DATA negate<>+8(SB)/8, $0x8000000000000000
GLOBL negate<>(SB), RODATA|NOPTR, $16

// func sumSpans(s *neighbourhood, cells []cell, spans []span)
TEXT ·sumSpans(SB), NOSPLIT, $0-56
	MOVQ   s+0(FP), AX
	MOVQ   cells_base+8(FP), BX
	MOVQ   spans_base+32(FP), SI
	MOVQ   spans_len+40(FP), CX
	MOVUPD 0(AX), X0
	MOVUPD 16(AX), X1
	MOVUPD 32(AX), X2
	MOVUPD 48(AX), X3
	MOVUPD 64(AX), X4
	MOVSD  96(AX), X5           // beyond
	MOVSD  104(AX), X6          // mixed
	MOVUPD negate<>(SB), X15
	MOVUPD 80(AX), X7
	MOVAPD X7, X8
	SHUFPD $1, X8, X8
	XORPD  X15, X7              // near, -far
	XORPD  X15, X8              // far, -near

span:
	TESTQ CX, CX
	JZ    done
	MOVQ  0(SI), R8
	MOVQ  8(SI), R9
	ADDQ  $16, SI
	DECQ  CX
	IMUL3Q $96, R8, R8
	IMUL3Q $96, R9, R9
	ADDQ  BX, R8
	ADDQ  BX, R9

next:
	CMPQ     R8, R9
	JGE      span
	MOVUPD   80(R8), X9
	XORPD    X15, X9            // near, -far of the cell
	MOVAPD   X7, X10
	CMPPD    X9, X10, $2
	MOVMSKPD X10, DX
	CMPL     DX, $3
	JNE      other
	MOVUPD   0(R8), X10
	MOVUPD   16(R8), X11
	MOVUPD   32(R8), X12
	MOVUPD   48(R8), X13
	MOVUPD   64(R8), X14
	ADDPD    X10, X0
	ADDPD    X11, X1
	ADDPD    X12, X2
	ADDPD    X13, X3
	ADDPD    X14, X4
	ADDQ     $96, R8
	JMP      next

other:
	MOVAPD   X8, X10
	CMPPD    X9, X10, $1
	MOVMSKPD X10, DX
	TESTL    DX, DX
	JZ       mixed
	ADDSD    0(R8), X5
	ADDQ     $96, R8
	JMP      next

mixed:
	ADDSD 0(R8), X6
	ADDQ  $96, R8
	JMP   next

done:
	MOVUPD X0, 0(AX)
	MOVUPD X1, 16(AX)
	MOVUPD X2, 32(AX)
	MOVUPD X3, 48(AX)
	MOVUPD X4, 64(AX)
	MOVSD  X5, 96(AX)
	MOVSD  X6, 104(AX)
	RET
