#include "textflag.h"

// One axis of four boxes: X7 += min(q.hi-lo, hi-q.lo, 0)².
#define AXIS(lo, hi, qlo, qhi) \
	MOVUPS lo, X8 \
	MOVUPS hi, X9 \
	MOVAPS qhi, X10 \
	SUBPS  X8, X10 \
	SUBPS  qlo, X9 \
	MINPS  X9, X10 \
	MINPS  X6, X10 \
	MULPS  X10, X10 \
	ADDPS  X10, X7

// Four boxes: their squared distances to d, and the bits of those within most to out.
#define FOUR(at, out) \
	XORPS    X7, X7 \
	AXIS(0+at(AX), 96+at(AX), X0, X3) \
	AXIS(32+at(AX), 128+at(AX), X1, X4) \
	AXIS(64+at(AX), 160+at(AX), X2, X5) \
	MOVUPS   X7, at(CX) \
	CMPPS    X11, X7, $2 \
	MOVMSKPS X7, out

#define SPREAD(from, x) \
	MOVSS  from, x \
	SHUFPS $0, x, x

// func (n *node) distances2(q *query, most float32, d *[fan]float32) uint32
TEXT ·distances2(SB), NOSPLIT, $0-36
	MOVQ n+0(FP), AX
	MOVQ q+8(FP), BX
	MOVQ d+24(FP), CX
	MOVSS most+16(FP), X11
	SHUFPS $0, X11, X11
	SPREAD(0(BX), X0)
	SPREAD(4(BX), X1)
	SPREAD(8(BX), X2)
	SPREAD(12(BX), X3)
	SPREAD(16(BX), X4)
	SPREAD(20(BX), X5)
	XORPS X6, X6
	FOUR(0, DX)
	FOUR(16, R8)
	SHLL  $4, R8
	ORL   R8, DX
	MOVL  DX, ret+32(FP)
	RET
