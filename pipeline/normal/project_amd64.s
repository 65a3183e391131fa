#include "textflag.h"

// Each number four times: the mask of a magnitude, that of a sign, the least normal
// number, π/2, π, and the coefficients of arc.
DATA numbers<>+0(SB)/8, $0x7fffffff7fffffff
DATA numbers<>+8(SB)/8, $0x7fffffff7fffffff
DATA numbers<>+16(SB)/8, $0x8000000080000000
DATA numbers<>+24(SB)/8, $0x8000000080000000
DATA numbers<>+32(SB)/8, $0x0080000000800000
DATA numbers<>+40(SB)/8, $0x0080000000800000
DATA numbers<>+48(SB)/8, $0x3fc90fdb3fc90fdb
DATA numbers<>+56(SB)/8, $0x3fc90fdb3fc90fdb
DATA numbers<>+64(SB)/8, $0x40490fdb40490fdb
DATA numbers<>+72(SB)/8, $0x40490fdb40490fdb
DATA numbers<>+80(SB)/8, $0x3b3bd74a3b3bd74a
DATA numbers<>+88(SB)/8, $0x3b3bd74a3b3bd74a
DATA numbers<>+96(SB)/8, $0xbc846e02bc846e02
DATA numbers<>+104(SB)/8, $0xbc846e02bc846e02
DATA numbers<>+112(SB)/8, $0x3d2fc1fe3d2fc1fe
DATA numbers<>+120(SB)/8, $0x3d2fc1fe3d2fc1fe
DATA numbers<>+128(SB)/8, $0xbd9a3174bd9a3174
DATA numbers<>+136(SB)/8, $0xbd9a3174bd9a3174
DATA numbers<>+144(SB)/8, $0x3dda3d833dda3d83
DATA numbers<>+152(SB)/8, $0x3dda3d833dda3d83
DATA numbers<>+160(SB)/8, $0xbe117fc7be117fc7
DATA numbers<>+168(SB)/8, $0xbe117fc7be117fc7
DATA numbers<>+176(SB)/8, $0x3e4cbbe53e4cbbe5
DATA numbers<>+184(SB)/8, $0x3e4cbbe53e4cbbe5
DATA numbers<>+192(SB)/8, $0xbeaaaa6cbeaaaa6c
DATA numbers<>+200(SB)/8, $0xbeaaaa6cbeaaaa6c
DATA numbers<>+208(SB)/8, $0x3f8000003f800000
DATA numbers<>+216(SB)/8, $0x3f8000003f800000
GLOBL numbers<>(SB), RODATA|NOPTR, $224

#define MAGNITUDE numbers<>+0(SB)
#define SIGN numbers<>+16(SB)
#define LEAST numbers<>+32(SB)
#define QUARTER numbers<>+48(SB)
#define HALF numbers<>+64(SB)

// The places along an axis of the lens, of the points at X0, X1, X2.
#define ALONG(at, to) \
	MOVUPS at(AX), to \
	MULPS  X0, to \
	MOVUPS at+16(AX), X4 \
	MULPS  X1, X4 \
	ADDPS  X4, to \
	MOVUPS at+32(AX), X4 \
	MULPS  X2, X4 \
	ADDPS  X4, to \
	MOVUPS at+48(AX), X4 \
	ADDPS  X4, to

// X1 becomes the angle whose tangent is |y/x|.
#define ANGLE(y, x) \
	MOVAPS y, X0 \
	ANDPS  MAGNITUDE, X0 \
	MOVAPS x, X1 \
	ANDPS  MAGNITUDE, X1 \
	MOVAPS X0, X2 \
	MINPS  X1, X2 \
	MOVAPS X0, X4 \
	MAXPS  X1, X4 \
	MAXPS  LEAST, X4 \
	DIVPS  X4, X2 \
	MOVAPS X2, X4 \
	MULPS  X4, X4 \
	MOVAPS numbers<>+80(SB), X8 \
	MULPS  X4, X8 \
	ADDPS  numbers<>+96(SB), X8 \
	MULPS  X4, X8 \
	ADDPS  numbers<>+112(SB), X8 \
	MULPS  X4, X8 \
	ADDPS  numbers<>+128(SB), X8 \
	MULPS  X4, X8 \
	ADDPS  numbers<>+144(SB), X8 \
	MULPS  X4, X8 \
	ADDPS  numbers<>+160(SB), X8 \
	MULPS  X4, X8 \
	ADDPS  numbers<>+176(SB), X8 \
	MULPS  X4, X8 \
	ADDPS  numbers<>+192(SB), X8 \
	MULPS  X4, X8 \
	ADDPS  numbers<>+208(SB), X8 \
	MULPS  X2, X8 \
	CMPPS  X0, X1, $1 \
	MOVAPS QUARTER, X2 \
	SUBPS  X8, X2 \
	ANDPS  X1, X2 \
	ANDNPS X8, X1 \
	ORPS   X2, X1

// func projectFours(l *lens, b *lanes, us, vs, x, y, z []float32)
TEXT ·projectFours(SB), NOSPLIT, $0-136
	MOVQ   l+0(FP), AX
	MOVQ   b+8(FP), BX
	MOVQ   us_base+16(FP), DI
	MOVQ   us_len+24(FP), CX
	MOVQ   vs_base+40(FP), SI
	MOVQ   x_base+64(FP), R8
	MOVQ   y_base+88(FP), R9
	MOVQ   z_base+112(FP), R10
	MOVUPS 0(BX), X12
	MOVUPS 16(BX), X13
	MOVUPS 32(BX), X14
	MOVUPS 48(BX), X15
	XORQ   DX, DX

four:
	CMPQ   DX, CX
	JGE    done
	MOVUPS (R8)(DX*4), X0
	MOVUPS (R9)(DX*4), X1
	MOVUPS (R10)(DX*4), X2

	// X3: 0, or NaN.
	MOVAPS X0, X3
	SUBPS  X0, X3
	MOVAPS X1, X4
	SUBPS  X1, X4
	ADDPS  X4, X3
	MOVAPS X2, X4
	SUBPS  X2, X4
	ADDPS  X4, X3
	ALONG(0, X5)
	ALONG(64, X6)
	ALONG(128, X7)

	// X9 = u.
	ANGLE(X5, X7)
	XORPS  X0, X0
	MOVAPS X7, X9
	CMPPS  X0, X9, $1
	MOVAPS HALF, X4
	SUBPS  X1, X4
	ANDPS  X9, X4
	ANDNPS X1, X9
	ORPS   X4, X9
	MOVAPS X5, X4
	ANDPS  SIGN, X4
	ORPS   X4, X9
	ADDPS  X3, X9

	// X1 = v.
	MULPS  X5, X5
	MULPS  X7, X7
	ADDPS  X7, X5
	SQRTPS X5, X5
	ANGLE(X6, X5)
	ANDPS  SIGN, X6
	ORPS   X6, X1
	ADDPS  X3, X1
	MOVUPS X9, (DI)(DX*4)
	MOVUPS X1, (SI)(DX*4)

	// What is NaN leaves the border as it is.
	MOVAPS X9, X0
	MINPS  X12, X0
	MOVAPS X0, X12
	MAXPS  X13, X9
	MOVAPS X9, X13
	MOVAPS X1, X0
	MINPS  X14, X0
	MOVAPS X0, X14
	MAXPS  X15, X1
	MOVAPS X1, X15
	ADDQ   $4, DX
	JMP    four

done:
	MOVUPS X12, 0(BX)
	MOVUPS X13, 16(BX)
	MOVUPS X14, 32(BX)
	MOVUPS X15, 48(BX)
	RET
