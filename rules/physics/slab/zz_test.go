package slab_test
import ("testing";"fmt";"frostgate/rules/physics/concrete";"frostgate/rules/physics/slab")
func show(t *testing.T, name string, d demo, ref string){
	r:=d.run(t)
	topMin:=1e9; topCellMin:=1e9
	for _,x:=range r.Hourly {if x.TopC<topMin{topMin=x.TopC}}
	_ = topCellMin
	fmt.Printf("%-22s top %.2f mean %.2f bot %.2f | 500 worst %.2f mean %.2f | coldestBefore %.1f min %.1f topmin %.1f max %.1f froze %v %.2f %.3f d%.3f | REF %s\n",name,r.Top,r.Mean,r.Bottom,r.CriticalH,r.CriticalMeanH,fahrenheit(r.MinBeforeCriticalC),fahrenheit(r.MinC),fahrenheit(topMin),fahrenheit(r.MaxC),r.FrozeEarly,r.FrozeH,r.FrozenShare,r.FrozeDepthM,ref)
}
func TestZZ(t *testing.T){
	for _,w:=range [][2]float64{{28,31},{28,30},{28,29},{28,28},{27,31},{27,30},{26,31},{26,30},{25,30},{25,32},{30,30},{31,31}}{
	wetF=w
	d:=theDemo(); d.wetBase=true; show(t,fmt.Sprint("G wet frozen",w),d,"final mean 6.42, bottom 7.20, 24.72")
	d.foamIn=2; show(t,"G foam",d,"4.14, 3.63, 13.81")
	}
	_ = concrete.TypeI; _ = slab.Slab
}
