package main
import ("testing";"image";"os";"traytally/vision/phantom")
func TestTmpDraw(t *testing.T){ drawCards(func(n string, img image.Image, d float64){ f,_:=os.Create("/tmp/ct/"+n); phantom.Encode(f,n,img,d,0); f.Close()}) }
