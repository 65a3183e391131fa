#include "go_asm.h"
#include "textflag.h"

// The places of a window in two rows, counted.
DATA count<>+0(SB)/4, $0.0
DATA count<>+4(SB)/4, $1.0
DATA count<>+8(SB)/4, $2.0
DATA count<>+12(SB)/4, $3.0
DATA count<>+16(SB)/4, $0.0
DATA count<>+20(SB)/4, $1.0
DATA count<>+24(SB)/4, $2.0
DATA count<>+28(SB)/4, $3.0
GLOBL count<>(SB), RODATA|NOPTR, $32

// The row of each place of two rows, for the up to four pairs of a block.
#define ROW(at, n) \
	DATA rows<>+at(SB)/4, $n    \
	DATA rows<>+at+4(SB)/4, $n  \
	DATA rows<>+at+8(SB)/4, $n  \
	DATA rows<>+at+12(SB)/4, $n

ROW(0, 0.0)
ROW(16, 1.0)
ROW(32, 2.0)
ROW(48, 3.0)
ROW(64, 4.0)
ROW(80, 5.0)
ROW(96, 6.0)
ROW(112, 7.0)
GLOBL rows<>(SB), RODATA|NOPTR, $128

DATA one<>+0(SB)/4, $1.0
GLOBL one<>(SB), RODATA|NOPTR, $4

// Adds what is in Y13 to two rows of a sum. X15 is free.
#define ADDTO(sum) \
	VMOVUPS      sum(R10), X15          \
	VINSERTF128  $1, sum+32(R10), Y15, Y15 \
	VADDPS       Y13, Y15, Y15          \
	VMOVUPS      X15, sum(R10)          \
	VEXTRACTF128 $1, Y15, sum+32(R10)

// func splatRowsAVX(a *sums, s *splat)
// Y0 dx², Y1 nx·dx, Y2 r2, Y3 inv, Y4 limit2, Y5 one, Y6 nz·dz, Y7 dz², Y8 ny, Y9 dy of the
// first row, Y14 nothing.
TEXT ·splatRowsAVX(SB), NOSPLIT, $0-16
	MOVQ         a+0(FP), AX
	MOVQ         s+8(FP), BX
	ADDQ         splat_at(BX), AX
	VBROADCASTSS splat_x(BX), Y0
	VMOVUPS      count<>(SB), Y1
	VSUBPS       Y0, Y1, Y0
	VBROADCASTSS splat_nx(BX), Y1
	VMULPS       Y0, Y1, Y1
	VMULPS       Y0, Y0, Y0
	VBROADCASTSS splat_r2(BX), Y2
	VBROADCASTSS splat_inv(BX), Y3
	VBROADCASTSS splat_limit2(BX), Y4
	VBROADCASTSS one<>(SB), Y5
	VBROADCASTSS splat_ny(BX), Y8
	VBROADCASTSS splat_dy(BX), Y9
	VXORPS       Y14, Y14, Y14
	LEAQ         rows<>(SB), R11
	XORL         CX, CX

layer:
	VCVTSI2SSL   CX, X14, X10
	VADDSS       splat_dz(BX), X10, X10
	VMULSS       splat_nz(BX), X10, X6
	VMULSS       X10, X10, X7
	VSHUFPS      $0, X6, X6, X6
	VINSERTF128  $1, X6, Y6, Y6
	VSHUFPS      $0, X7, X7, X7
	VINSERTF128  $1, X7, Y7, Y7
	MOVQ         splat_lanes(BX), DI
	MOVL         splat_rows(BX), DX
	MOVQ         R11, R9
	MOVQ         AX, R10

pair:
	CMPL         DX, $1
	JNE          both
	ADDQ         $32, DI

both:
	VADDPS       (R9), Y9, Y10  // dy
	VMULPS       Y8, Y10, Y11
	VADDPS       Y6, Y11, Y11   // across
	VADDPS       Y1, Y11, Y11   // d
	VMULPS       Y10, Y10, Y10
	VADDPS       Y7, Y10, Y10   // square
	VADDPS       Y0, Y10, Y10
	VMULPS       Y11, Y11, Y12  // d2
	VSUBPS       Y12, Y10, Y10  // side2
	VCMPPS       $1, Y2, Y10, Y13
	VCMPPS       $2, Y4, Y12, Y12
	VANDPS       Y12, Y13, Y13
	VANDPS       (DI), Y13, Y13
	VMOVMSKPS    Y13, R8
	TESTL        R8, R8
	JZ           skip
	VMULPS       Y3, Y10, Y10
	VSUBPS       Y10, Y5, Y10
	VMULPS       Y10, Y10, Y10
	VANDPS       Y13, Y10, Y10  // q
	VBROADCASTSS splat_cover(BX), Y13
	VMULPS       Y10, Y13, Y13
	ADDTO(sums_cover)
	VBROADCASTSS splat_unit(BX), Y12
	VADDPS       Y11, Y12, Y12
	VMINPS       Y14, Y12, Y12
	VBROADCASTSS splat_steep(BX), Y13
	VMULPS       Y13, Y12, Y12
	VADDPS       Y5, Y12, Y12
	VBROADCASTSS splat_weight(BX), Y13
	VMULPS       Y13, Y10, Y10
	VMULPS       Y12, Y10, Y13  // w
	VMULPS       Y13, Y11, Y11
	ADDTO(sums_mass)
	VMOVAPS      Y11, Y13
	ADDTO(sums_distance)

skip:
	ADDQ         $32, R9
	ADDQ         $64, R10
	SUBL         $2, DX
	JG           pair
	ADDQ         $256, AX
	INCL         CX
	CMPL         CX, splat_layers(BX)
	JLT          layer
	VZEROUPPER
	RET
