#include "go_asm.h"
#include "textflag.h"

// func layerSigns(b *block, s *[side]signs, layers int)
// X5 nothing, X6 some in every byte.
TEXT ·layerSigns(SB), NOSPLIT, $0-24
	MOVQ      b+0(FP), SI
	MOVQ      s+8(FP), DI
	MOVQ      layers+16(FP), CX
	PXOR      X5, X5
	MOVL      $(const_some*0x01010101), AX
	MOVQ      AX, X6
	PUNPCKLLQ X6, X6
	LEAQ      block_cover(SI), BX

layer:
	XORQ R8, R8
	MOVQ $8, DX

row:
	MOVOU    block_mean(SI), X0
	PACKSSWB X0, X0
	PMOVMSKB X0, R9                // negative
	MOVOU    block_weight(SI), X1
	PCMPEQW  X5, X1
	PACKSSWB X1, X1                // no weight
	MOVQ     (BX), X2
	MOVO     X2, X3
	PMAXUB   X6, X3
	PCMPEQB  X2, X3                // some cover
	PANDN    X3, X1
	PMOVMSKB X1, R10               // known
	ANDL     $0xff, R10
	ANDL     R10, R9
	MOVB     R10, signs_known(DI)(R8*1)
	MOVB     R9, signs_inside(DI)(R8*1)
	ADDQ     $16, SI
	ADDQ     $8, BX
	INCQ     R8
	DECQ     DX
	JNZ      row
	ADDQ     $signs__size, DI
	DECQ     CX
	JNZ      layer
	RET
