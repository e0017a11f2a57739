from jinja2.runtime import LoopContext, Macro, Markup, Namespace, TemplateNotFound, TemplateReference, TemplateRuntimeError, Undefined, escape, identity, internalcode, markup_join, missing, str_join
name = 'page.html'

def root(context, missing=missing, environment=environment):
    resolve = context.resolve_or_missing
    undefined = environment.undefined
    concat = environment.concat
    cond_expr_undefined = Undefined
    if 0: yield None
    l_0_policy = resolve('policy')
    l_0_kind = resolve('kind')
    l_0_title = resolve('title')
    l_0_style = resolve('style')
    l_0_ticks = resolve('ticks')
    pass
    yield '<!DOCTYPE html>\n<html lang="en">\n<head><meta charset="utf-8">\n<meta http-equiv="Content-Security-Policy" content="'
    yield escape(environment.finalize((undefined(name='policy') if l_0_policy is missing else l_0_policy)))
    yield '">\n<meta name="viewport" content="width=device-width,initial-scale=1">\n<title>'
    yield escape(environment.finalize((undefined(name='kind') if l_0_kind is missing else l_0_kind)))
    yield ': '
    yield escape(environment.finalize((undefined(name='title') if l_0_title is missing else l_0_title)))
    yield '</title>\n<style>'
    yield escape(environment.finalize((undefined(name='style') if l_0_style is missing else l_0_style)))
    yield '</style></head>\n<body>\n<header><p class="kicker">'
    yield escape(environment.finalize((undefined(name='kind') if l_0_kind is missing else l_0_kind)))
    yield '</p><h1>'
    yield escape(environment.finalize((undefined(name='title') if l_0_title is missing else l_0_title)))
    yield '</h1>\n'
    yield from context.blocks['lead'][0](context)
    yield escape(environment.finalize((undefined(name='ticks') if l_0_ticks is missing else l_0_ticks)))
    yield '</header>\n<main>\n'
    yield from context.blocks['main'][0](context)
    yield '</main>\n</body>\n</html>\n'

def block_lead(context, missing=missing, environment=environment):
    resolve = context.resolve_or_missing
    undefined = environment.undefined
    concat = environment.concat
    cond_expr_undefined = Undefined
    if 0: yield None
    _block_vars = {}
    pass

def block_main(context, missing=missing, environment=environment):
    resolve = context.resolve_or_missing
    undefined = environment.undefined
    concat = environment.concat
    cond_expr_undefined = Undefined
    if 0: yield None
    _block_vars = {}
    pass

blocks = {'lead': block_lead, 'main': block_main}
debug_info = '4=17&6=19&7=23&9=25&10=29&11=30&13=32&10=35&13=44'
