package print
import ("testing";"os";"traytally/vision/internal/card")
func TestTmp(t *testing.T){
 for _,l:=range card.Layouts { for _,p:=range Papers { for _,open:=range []bool{false,true}{
  n:="/tmp/ct/"+l.Name[:5]+"-"+p.Name; if open {n+="-open"}
  f,_:=os.Create(n+".pdf"); if err:=PDF(f,Options{Layout:l,Paper:p,OpenField:open,Title:"x"});err!=nil{t.Fatal(err)}; f.Close()
  f,_=os.Create(n+".svg"); if err:=SVG(f,Options{Layout:l,Paper:p,OpenField:open,Title:"x"});err!=nil{t.Fatal(err)}; f.Close()
 }}}
}
