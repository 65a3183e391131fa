#include "textflag.h"

// The places of a row, counted.
DATA count<>+0(SB)/4, $0.0
DATA count<>+4(SB)/4, $1.0
DATA count<>+8(SB)/4, $2.0
DATA count<>+12(SB)/4, $3.0
DATA count<>+16(SB)/4, $4.0
DATA count<>+20(SB)/4, $5.0
DATA count<>+24(SB)/4, $6.0
DATA count<>+28(SB)/4, $7.0
GLOBL count<>(SB), RODATA|NOPTR, $32

#define SPREAD(from, x) \
	MOVSS  from, x \
	SHUFPS $0, x, x

// Four places of a row, X8 across and X9 square from the sample: X10 dx, then side2;
// X11 d; X12 which of them count; X14 q, then w.
#define FOUR(at) \
	MOVUPS count<>+at(SB), X10 \
	SUBPS  X0, X10 \
	MOVAPS X10, X11 \
	MULPS  X1, X11 \
	ADDPS  X8, X11 \
	MULPS  X10, X10 \
	ADDPS  X9, X10 \
	MOVAPS X11, X13 \
	MULPS  X11, X13 \
	SUBPS  X13, X10 \
	MOVAPS X10, X12 \
	CMPPS  X2, X12, $1 \
	MOVAPS X11, X13 \
	CMPPS  X4, X13, $2 \
	ANDPS  X13, X12 \
	MOVAPS X11, X13 \
	CMPPS  X15, X13, $5 \
	ANDPS  X13, X12 \
	MOVUPS at(DI), X13 \
	ANDPS  X13, X12 \
	MULPS  X3, X10 \
	MOVAPS X5, X14 \
	SUBPS  X10, X14 \
	MULPS  X14, X14 \
	ANDPS  X12, X14 \
	MOVAPS X14, X13 \
	MULPS  X7, X13 \
	MOVUPS 4096+at(R10), X12 \
	ADDPS  X13, X12 \
	MOVUPS X12, 4096+at(R10) \
	MULPS  X6, X14 \
	MOVUPS unit-16(SP), X13 \
	ADDPS  X11, X13 \
	XORPS  X12, X12 \
	MINPS  X12, X13 \
	MOVUPS slope-32(SP), X12 \
	DIVPS  X12, X13 \
	ADDPS  X5, X13 \
	MULPS  X13, X14 \
	MULPS  X14, X11 \
	MOVUPS at(R10), X12 \
	ADDPS  X11, X12 \
	MOVUPS X12, at(R10) \
	MOVUPS 2048+at(R10), X12 \
	ADDPS  X14, X12 \
	MOVUPS X12, 2048+at(R10)

// func splatRows(a *sums, s *splat)
TEXT ·splatRows(SB), NOSPLIT, $48-16
	MOVQ   a+0(FP), AX
	MOVQ   s+8(FP), BX
	MOVQ   80(BX), DI
	SPREAD(0(BX), X0)
	SPREAD(12(BX), X1)
	SPREAD(24(BX), X2)
	SPREAD(28(BX), X3)
	SPREAD(32(BX), X4)
	SPREAD(36(BX), X15)
	SPREAD(60(BX), X6)
	SPREAD(56(BX), X7)
	SPREAD(40(BX), X8)
	MOVUPS X8, unit-16(SP)
	SPREAD(44(BX), X8)
	MOVUPS X8, slope-32(SP)
	MOVL   $0x3f800000, CX
	MOVL   CX, X5
	SHUFPS $0, X5, X5

	// Which halves of a row have places.
	MOVUPS   0(DI), X8
	MOVMSKPS X8, R11
	MOVUPS   16(DI), X8
	MOVMSKPS X8, R12
	MOVL     72(BX), CX

layer:
	CMPL     CX, 76(BX)
	JGT      done
	XORPS    X13, X13
	CVTSL2SS CX, X13
	SUBSS    8(BX), X13
	MOVSS    20(BX), X14
	MULSS    X13, X14
	MOVSS    X14, nzdz-36(SP)
	MULSS    X13, X13
	MOVSS    X13, dz2-40(SP)
	MOVL     64(BX), DX

row:
	CMPL     DX, 68(BX)
	JGT      next
	XORPS    X13, X13
	CVTSL2SS DX, X13
	SUBSS    4(BX), X13
	MOVSS    16(BX), X8
	MULSS    X13, X8
	ADDSS    nzdz-36(SP), X8
	MOVAPS   X13, X9
	MULSS    X13, X9
	ADDSS    dz2-40(SP), X9

	// No place of the row counts where slack ± across or the rest of r2 is negative.
	MOVSS    48(BX), X10
	MOVAPS   X10, X11
	SUBSS    X8, X10
	ADDSS    X8, X11
	MINSS    X11, X10
	MOVAPS   X8, X11
	MULSS    X8, X11
	MULSS    52(BX), X11
	MOVAPS   X9, X12
	SUBSS    X11, X12
	MOVAPS   X2, X11
	SUBSS    X12, X11
	MINSS    X11, X10
	MOVMSKPS X10, R8
	ANDL     $1, R8
	JNZ      skip
	SHUFPS   $0, X8, X8
	SHUFPS   $0, X9, X9
	MOVL     CX, R10
	SHLL     $3, R10
	ADDL     DX, R10
	SHLL     $5, R10
	ADDQ     AX, R10
	TESTL    R11, R11
	JZ       upper
	FOUR(0)

upper:
	TESTL R12, R12
	JZ    skip
	FOUR(16)

skip:
	INCL DX
	JMP  row

next:
	INCL CX
	JMP  layer

done:
	RET
